"""Runs steps: prepares their context, validates what they hand back, writes it whole, keeps the log."""

from __future__ import annotations

import json
import os
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from geotools import __version__
from geotools.errors import GeotoolsError, OutputError, StepError
from geotools.files import local_file, sha256
from geotools.schema import PROVENANCE
from geotools.site import Site
from geotools.sources import Sources, open_sources
from geotools.step import Progress, Step, StepContext, StepResult, discover, get_step
from geotools.terrain import Terrain
from geotools.workspace import Workspace, empty_frame

SUMMARY_NAME = "summary.json"
LOG_NAME = "run.log"

CAUTIONS = (
    "Detection: a model is no acceptance; walk-test every zone.",
    "Earthworks: locate buried services first; drainage, slopes and erosion are for a licensed civil engineer; "
    "local codes rule.",
    "Radio: use licensed or licence-exempt bands as the local authority allows; check exposure limits for the "
    "equipment used.",
    "The outputs show where a site is weak: handle as sensitive, share by need.",
)


@dataclass
class Outcome:
    """What a step said and wrote."""

    step: str
    layers: list[str]
    files: list[Path]
    summary: dict[str, Any]
    notes: list[str]
    warnings: list[str]
    seconds: float


def _silent(done: int, total: int, what: str = "") -> None:
    return None


@dataclass
class Job:
    """A site and the folder its plan is made in.

    Parameters
    ----------
    site : what to work on.
    out : folder of the plan.
    overwrite : whether layers and files that are there already may be replaced; otherwise that is an OutputError.
    progress : told how far each step is.
    """

    site: Site
    out: Path
    overwrite: bool = False
    progress: Progress = _silent
    outcomes: list[Outcome] = field(default_factory=list)

    @cached_property
    def sources(self) -> Sources:
        """The site's files, read when first needed."""
        return open_sources(self.site)

    @cached_property
    def workspace(self) -> Workspace:
        """The plan being made."""
        return Workspace(self.out, self.sources.plan_crs)

    @cached_property
    def terrain(self) -> Terrain:
        """The terrain model, opened when first needed."""
        return self.sources.open_terrain(self.site)

    @cached_property
    def _input_hashes(self) -> dict[str, str]:
        named = {"fence": self.site.input.fence, "terrain": self.site.input.terrain}
        return {what: sha256(local_file(self.site.path(name), what)) for what, name in named.items()}

    def close(self) -> None:
        """Give the terrain file back."""
        if "terrain" in self.__dict__:
            self.terrain.close()

    def __enter__(self) -> Job:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def run(self, name: str, **params: Any) -> Outcome:
        """Run one step and write its layers and files, or raise and leave the folder as it was."""
        step = get_step(name)
        checked = step.validate_params(params)
        self._refuse_overwriting(step)
        started = time.perf_counter()
        self._make_folder()
        with tempfile.TemporaryDirectory(prefix=".scratch-", dir=self.out, ignore_cleanup_errors=True) as scratch:
            ctx = StepContext(
                site=self.site,
                workspace=self.workspace,
                params=checked,
                scratch=Path(scratch),
                open_terrain=lambda: self.terrain,
                progress=self.progress,
            )
            try:
                result = step.run(ctx)
                _check_result(step, result, ctx.scratch)
                self._write(step, ctx, result)
                outcome = Outcome(
                    step.name,
                    sorted(result.layers),
                    _move_files(result.files, ctx.scratch, self.out),
                    result.summary,
                    ctx.notes,
                    ctx.warnings,
                    time.perf_counter() - started,
                )
            except GeotoolsError as problem:
                self._log(step.name, "failed", problem.parts())
                raise
        self.outcomes.append(outcome)
        self._log(
            step.name, "done", {"seconds": round(outcome.seconds, 3), "notes": ctx.notes, "warnings": ctx.warnings}
        )
        self._write_summary(outcome)
        return outcome

    def _make_folder(self) -> None:
        try:
            self.out.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise OutputError("the output folder cannot be made", where=self.out, found=problem) from problem
        if not os.access(self.out, os.W_OK):
            raise OutputError(
                "the output folder cannot be written",
                where=self.out,
                mend="choose another folder, or change its permission",
            )

    def _refuse_overwriting(self, step: Step) -> None:
        if self.overwrite:
            return
        held = set(self.workspace.layer_names())
        there = [out.schema.name for out in step.outputs if out.schema.name in held]
        there += [f.name for f in step.files if (self.out / f.name.rstrip("/")).exists()]
        if there:
            raise OutputError(
                "the output folder holds results of this step already",
                where=self.out,
                found=", ".join(there),
                mend="add --overwrite to replace them, or choose another folder",
            )

    def _write(self, step: Step, ctx: StepContext, result: StepResult) -> None:
        schemas = {out.schema.name: out.schema for out in step.outputs}
        layers = {schemas[name]: frame for name, frame in result.layers.items()}
        self.workspace.write({**layers, PROVENANCE: self._provenance(step, ctx, result)})

    def _provenance(self, step: Step, ctx: StepContext, result: StepResult) -> gpd.GeoDataFrame | pd.DataFrame:
        """The plan's table with this step's row put in, replacing an older row of the same step."""
        held = self.workspace.read(PROVENANCE) if self.workspace.has(PROVENANCE) else empty_frame(PROVENANCE)
        row = {
            "step": step.name,
            "version": __version__,
            "parameters": json.dumps(dict(ctx.params), sort_keys=True, default=str),
            "inputs": json.dumps(self._input_hashes, sort_keys=True),
            "layers": " ".join(sorted(result.layers)),
            "files": " ".join(sorted(result.files)),
            "plan_crs": self.workspace.plan_crs.to_string(),
            "vertical_datum": self.sources.vertical_datum,
            "vertical_unit": "metre",
            "source_vertical_unit": self.sources.source_vertical_unit,
            "citations": "; ".join(step.citations),
            "cautions": " ".join(step.cautions or CAUTIONS),
            "notes": "\n".join([*ctx.notes, *(f"warning: {text}" for text in ctx.warnings)]),
        }
        rows = [r for r in held.to_dict("records") if r["step"] != step.name] + [row]
        order = {name: place for place, name in enumerate(discover())}
        rows.sort(key=lambda r: order.get(r["step"], len(order)))
        return pd.DataFrame(rows, columns=PROVENANCE.field_names)

    def _log(self, step: str, state: str, detail: Mapping[str, Any]) -> None:
        stamp = datetime.now(UTC).isoformat(timespec="seconds")
        line = json.dumps({"time": stamp, "step": step, "state": state, **detail}, default=str)
        try:
            with open(self.out / LOG_NAME, "a", encoding="utf-8") as log:
                log.write(line + "\n")
        except OSError:
            # A full disk must not hide the error that is being logged; the step's own outcome is what counts.
            return

    def _write_summary(self, outcome: Outcome) -> None:
        path = self.out / SUMMARY_NAME
        summary: dict[str, Any] = {}
        if path.exists():
            try:
                summary = json.loads(path.read_text(encoding="utf-8"))
            except (ValueError, OSError):
                summary = {}
        if not isinstance(summary.get("steps"), dict):
            summary = {"steps": {}}
        summary |= {"site": self.site.name, "version": __version__, "cautions": list(CAUTIONS)}
        summary["steps"][outcome.step] = {**outcome.summary, "warnings": outcome.warnings}
        write_text(path, json.dumps(summary, indent=2, sort_keys=True, default=str) + "\n")


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_text(text, encoding="utf-8")
        os.replace(temporary, path)
    except OSError as problem:
        raise OutputError("a file could not be written", where=path, found=problem) from problem
    finally:
        temporary.unlink(missing_ok=True)


def _check_result(step: Step, result: StepResult, scratch: Path) -> None:
    declared = {out.schema.name for out in step.outputs}
    if set(result.layers) != declared:
        raise StepError(
            "a step hands back other layers than it declares",
            where=f"step {step.name}",
            found=", ".join(sorted(result.layers)) or "none",
            expected=", ".join(sorted(declared)) or "none",
        )
    offered = tuple(f.name for f in step.files)
    for name in result.files:
        known = any(name == offer or (offer.endswith("/") and name.startswith(offer)) for offer in offered)
        if not known or not (scratch / name).is_file() or ".." in Path(name).parts:
            raise StepError(
                "a step hands back a file it does not declare, or did not write",
                where=f"step {step.name}",
                found=name,
                expected=", ".join(offered) or "none",
            )


def _move_files(names: Sequence[str], scratch: Path, out: Path) -> list[Path]:
    """Move finished files to their place; each appears whole."""
    placed = []
    for name in names:
        target = out / name
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(scratch / name, target)
        except OSError as problem:
            raise OutputError("a file could not be put in place", where=target, found=problem) from problem
        placed.append(target)
    return placed


def plan_steps(names: Sequence[str] | None = None) -> list[Step]:
    """The steps of a whole run in the order of the job, or those named."""
    steps = discover()
    if names is not None:
        return [get_step(name) for name in names]
    return sorted((s for s in steps.values() if s.order > 0), key=lambda s: (s.order, s.name))


def run_site(
    site: Site,
    out: Path,
    *,
    steps: Sequence[str] | None = None,
    overwrite: bool = False,
    progress: Progress = _silent,
    before: Callable[[Step], None] | None = None,
) -> list[Outcome]:
    """Run the whole job, or the named steps, on one site.

    With ``overwrite`` the plan that was there is replaced only once the first step has succeeded.
    """
    with Job(site, out, overwrite=overwrite, progress=progress) as job:
        for step in plan_steps(steps):
            if before is not None:
                before(step)
            job.run(step.name)
        return job.outcomes
