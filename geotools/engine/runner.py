"""Runs steps: prepares their context, validates what they hand back, writes it whole, keeps the log."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from geotools import __version__
from geotools.engine.calling import check_result, run_step
from geotools.engine.freshness import Ledger, of_results, read_back
from geotools.engine.lock import FolderLock
from geotools.engine.step import Progress, Step, StepContext, StepResult, discover, get_step
from geotools.engine.tracking import Reads, TrackedWorkspace, tracked
from geotools.engine.workers import Workers
from geotools.engine.writing import SUMMARY_NAME, log, make_folder, scratch_folder, summary_text, writing
from geotools.errors import GeotoolsError, OutputError, StepError, shown
from geotools.io.crs import short_name
from geotools.io.files import sha256
from geotools.io.publish import finish, publish, sweep
from geotools.plan.cautions import CAUTIONS
from geotools.plan.digest import FileState, file_state
from geotools.plan.freshness import Record
from geotools.plan.schema import PROVENANCE
from geotools.plan.workspace import PLAN_NAME, Workspace
from geotools.site import Site
from geotools.site.placeholders import placeholders
from geotools.site.sources import Sources, input_hashes, library_versions, open_sources
from geotools.terrain.model import Terrain


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
    update : whether stale layers that a step would read are made anew first; otherwise that is a StepError.
    redesign : whether a layout that was edited by hand may be thrown away.
    progress : called with how far each step is.
    workers : who shares the pieces of a step; None for this process alone.

    One job at a time works in a folder; a second one is refused. Close the job to give the folder back.
    """

    site: Site
    out: Path
    overwrite: bool = False
    progress: Progress = _silent
    workers: Workers | None = None
    update: bool = True
    redesign: bool = False
    outcomes: list[Outcome] = field(default_factory=list)
    _lock: FolderLock | None = field(default=None, init=False, repr=False)
    _serial: int | None = field(default=None, init=False, repr=False)
    _held_rows: tuple[FileState, list[dict[str, Any]]] | None = field(default=None, init=False, repr=False)

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
    def ledger(self) -> Ledger:
        """What the plan says of its making, against how things are."""
        return Ledger(self.site, self.workspace)

    @cached_property
    def _input_hashes(self) -> dict[str, str]:
        return input_hashes(self.site)

    def close(self) -> None:
        """Give the terrain file and the folder back."""
        if "terrain" in self.__dict__:
            self.terrain.close()
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Job:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def run(self, name: str, **params: Any) -> Outcome:
        """Run one step and write its layers and files, or raise and leave the folder as it was.

        Stale layers that it would read are made anew first; what was done for that stands before it in `outcomes`.
        """
        step = get_step(name)
        checked = step.validate_params(params)
        workspace = self.workspace  # reads the input: what is refused there leaves no trace
        self._hold_folder()
        self.refuse_overwriting(step)
        workspace.check_free()
        self._bring_up(step)
        return self._do(step, checked)

    def _bring_up(self, step: Step) -> None:
        """Make stale layers anew that the step would read; StepError where updating is switched off."""
        for maker in self.ledger.makers(step, self.records()):
            causes = of_results(self.ledger.causes(self.records()).get(maker.name, ()))
            if not causes:
                continue
            if not self.update:
                raise StepError(
                    "the step would read results that are stale",
                    where=f"step {step.name}, results of {maker.name}",
                    found="; ".join(causes[:5]),
                    expected="results that answer to the site file, the input and the plan as they are",
                    mend=f"leave --no-update out, or first run `geotools {maker.name} SITE.toml --out {self.out} "
                    "--overwrite`",
                )
            self.redo(maker, causes)

    def redo(self, step: Step, causes: Sequence[str]) -> Outcome:
        """Run a step again with the parameters it was last run with; its notes tell why."""
        told = "brought up to date: " + "; ".join(causes[:5]) + (f" and {len(causes) - 5} more" if causes[5:] else "")
        return self._do(step, self._params_before(step), [told])

    def _params_before(self, step: Step) -> dict[str, Any]:
        """The parameters of the step's last run, so far as it still has them."""
        row = next((r for r in self.provenance() if r["step"] == step.name), {})
        try:
            held = json.loads(str(row.get("parameters") or "{}"))
        except ValueError:
            held = {}
        names = {param.name for param in step.params}
        given = {k: v for k, v in held.items() if k in names and k != "redesign"} if isinstance(held, dict) else {}
        return step.validate_params(given)

    def _do(self, step: Step, checked: dict[str, Any], notes: Sequence[str] = ()) -> Outcome:
        started = time.perf_counter()
        records = self.records()
        reads = Reads(self.ledger.files.code)
        edited = self.ledger.edited(records)
        redesign = self.redesign or bool(checked.get("redesign"))
        hand = [] if redesign else self._kept_by_hand(step, records)
        whole = {out.schema.name for out in step.outputs if not out.updates}
        if "keep" in checked and whole & set(hand):
            checked["keep"] = True
        if redesign:
            checked |= {name: name == "redesign" for name in ("keep", "redesign") if name in checked}
        before = self.workspace.digests()
        with scratch_folder(self.out) as scratch:
            ctx = StepContext(
                site=tracked(self.site, reads),
                workspace=TrackedWorkspace(self.workspace, reads, [given.schema for given in step.inputs]),
                params=checked,
                scratch=scratch / "step",
                open_terrain=lambda: self._tracked_terrain(reads),
                progress=self.progress,
                workers=self.workers,
                notes=list(notes),
                edited=frozenset(edited),
                kept=frozenset(self.ledger.kept(records)),
                causes=tuple(self.ledger.causes(records).get(step.name, ())),
            )
            for value in checked.values():
                if isinstance(value, Path):
                    reads.file(value)
            try:
                ctx.scratch.mkdir()
                result = run_step(step, ctx)
                check_result(step, result, ctx.scratch)
                if rests_on := placeholders(self.site, reads.sections):
                    result.summary["placeholders"] = list(rests_on)
                held = {"fence"} & edited & set(result.layers) if not redesign else set()
                self._tell_replaced(step, reads, ctx, edited - held)
                was = {out.schema.name: before.get(out.schema.name) for out in step.outputs} | reads.layers
                self._refuse_changed(was)
                record = self.ledger.note(step, reads, records, hand)
                for name in held:
                    ctx.say(f"layer {name} was edited by hand and stays as it is (--redesign makes it anew)")
                    del result.layers[name]
                    record.layers_written[name] = records[step.name].layers_written[name]
                placed = self._publish(step, ctx, result, scratch / "ready", record, lambda: self._refuse_changed(was))
            except GeotoolsError as problem:
                log(self.out, step.name, "failed", problem.parts(), private=self.site.sharing.private)
                raise
        outcome = Outcome(
            step.name,
            sorted(result.layers),
            placed,
            result.summary,
            ctx.notes,
            ctx.warnings,
            time.perf_counter() - started,
        )
        self.outcomes.append(outcome)
        log(
            self.out,
            step.name,
            "done",
            {"seconds": round(outcome.seconds, 3), "notes": ctx.notes, "warnings": ctx.warnings},
            private=self.site.sharing.private,
        )
        return outcome

    def _tracked_terrain(self, reads: Reads) -> Terrain:
        reads.sections.add("input")
        reads.file(self.site.path(self.site.input.terrain))
        return self.terrain

    def _kept_by_hand(self, step: Step, records: Mapping[str, Record]) -> list[str]:
        """Layers of the step that a person had a hand in and that it is to take as they stand."""
        return sorted(set(read_back(step)) & self.ledger.kept(records))

    def _tell_replaced(self, step: Step, reads: Reads, ctx: StepContext, edited: set[str]) -> None:
        """Warn where edits of a result are about to be replaced: it is made anew from what it stands on."""
        lost = sorted({out.schema.name for out in step.outputs} & edited - set(reads.layers))
        if lost:
            ctx.warn(
                f"made anew over edits by hand: {', '.join(lost)}; fields that are there to be filled in, and added "
                "fields, are carried over"
            )

    def _refuse_changed(self, was: Mapping[str, str | None]) -> None:
        """OutputError where layers that the step read, or is about to replace, were edited meanwhile."""
        now = self.workspace.digests()
        changed = [name for name, code in was.items() if now.get(name) != code]
        if changed:
            raise OutputError(
                "the plan was changed while the step ran; its results are dropped",
                where=self.workspace.plan,
                found=f"edited meanwhile: {', '.join(sorted(changed))}",
                expected="the layers as they were read",
                mend="save your edits, then run the step again",
            )

    def left(self, steps: Sequence[Step]) -> list[Step]:
        """The steps whose results are stale or not there, as things stand before any of them has run again."""
        self.workspace.check_free()  # reads the input: what is refused there leaves no trace
        self._hold_folder()
        return [step for step in steps if not self.is_done(step)]

    def resume(self, steps: Sequence[Step]) -> Iterator[Step]:
        """The steps to run so that all are current, each looked at when its turn comes."""
        self.workspace.check_free()
        self._hold_folder()
        for step in steps:
            if not self.is_done(step):
                yield step

    def run_again(self, step: Step) -> Outcome:
        """Run a step that is stale or missing, with the parameters of its last run."""
        causes = self.ledger.causes(self.records()).get(step.name)
        self._bring_up(step)
        return self.redo(step, causes) if causes else self.run(step.name)

    def _hold_folder(self) -> None:
        """Make the folder ours for the run, end what a killed run began, and take away what it left."""
        if self._lock is not None:
            return
        make_folder(self.out, private=self.site.sharing.private)
        self._lock = FolderLock(self.out)
        try:
            finish(self.out)
        except OSError as problem:
            raise OutputError(
                "results of an earlier run could not be put in place",
                where=self.out,
                found=problem,
                mend="close programs that have its files open, then run again",
            ) from problem
        sweep(self.out)
        self._serial = max((record.serial for record in self.records().values()), default=0)

    def written(self) -> list[str]:
        """Steps whose results this job put in place, in that order, as the plan itself says.

        True at any moment, also where a step was stopped between its results and the word that they are there: what was
        just being put in place is put there whole first.
        """
        if self._serial is None:
            return []
        finish(self.out)
        made = [record for record in self.records().values() if record.serial > self._serial]
        return [record.step for record in sorted(made, key=lambda record: record.serial)]

    def refuse_overwriting(self, step: Step) -> None:
        """OutputError where the step would replace results that are there, and replacing was not requested."""
        if self.overwrite:
            return
        held = set(self.workspace.layer_names())
        there = [out.schema.name for out in step.outputs if out.schema.name in held and not out.updates]
        there += [f.name for f in step.files if (self.out / f.name.rstrip("/")).exists() and not f.updates]
        if there:
            raise OutputError(
                "the output folder holds results of this step already",
                where=self.out,
                found=", ".join(there),
                mend="add --overwrite to replace them, or choose another folder"
                + "".join(f"; --{p.name} --overwrite: {p.help}" for p in step.params if p.name in step.sparing),
            )

    def _publish(
        self,
        step: Step,
        ctx: StepContext,
        result: StepResult,
        ready: Path,
        record: Record,
        check: Callable[[], None],
    ) -> list[Path]:
        """Gather the new plan, the step's files and the summary, and put them in place as one."""
        schemas = {out.schema.name: out.schema for out in step.outputs}
        layers = {schemas[name]: frame for name, frame in result.layers.items()}
        held = self.provenance()
        stale = next((str(r["files"] or "").split() for r in held if r["step"] == step.name), [])
        with writing(self.out):
            ready.mkdir()
            for name in result.files:
                (ready / name).parent.mkdir(parents=True, exist_ok=True)
                os.replace(ctx.scratch / name, ready / name)
            summary = summary_text(self.out, self.site.name, step.name, {**result.summary, "warnings": ctx.warnings})
            (ready / SUMMARY_NAME).write_text(summary, encoding="utf-8")
        made = ready / PLAN_NAME
        before = file_state(self.workspace.plan)
        self.workspace.build(made, layers)
        codes = self.workspace.digests_after(made, list(result.layers))
        record.layers_written |= {name: str(codes[name]) for name in result.layers if name in codes}
        record.rows = {name: codes[name].rows for name in result.layers if codes[name].rows}
        record.files_written = {name: sha256(ready / name)[:32] for name in result.files}
        self.workspace.put(made, PROVENANCE, self._provenance(step, ctx, result, record))
        staying = [path for path in self.out.glob("*.tif") if path.name not in stale]
        self.workspace.put_project(made, self.site.name, [*staying, *ready.glob("*.tif")], self.sources.vertical_datum)
        self.workspace.check_free()
        if file_state(self.workspace.plan) != before:
            check()
        after = file_state(made)
        publish(ready, self.out, guard=PLAN_NAME, remove=stale, private=self.site.sharing.private)
        self.workspace.take_digests(after, codes)
        return [self.out / name for name in result.files]

    def _provenance(self, step: Step, ctx: StepContext, result: StepResult, record: Record) -> pd.DataFrame:
        """The table with this step's row put in for an older one of the same step."""
        held = self.provenance()
        row = {
            "step": step.name,
            "version": __version__,
            "libraries": library_versions(),
            "parameters": _as_json(ctx.params),
            "inputs": _as_json(self._input_hashes),
            "record": record.to_text(),
            "layers": " ".join(sorted(result.layers)),
            "files": " ".join(sorted(result.files)),
            "plan_crs": short_name(self.workspace.plan_crs),
            "vertical_datum": self.sources.vertical_datum,
            "vertical_unit": "metre",
            "source_vertical_unit": self.sources.source_vertical_unit,
            "citations": "; ".join(step.citations),
            "cautions": " ".join(step.cautions or CAUTIONS),
            "notes": "\n".join(
                [
                    *ctx.notes,
                    *(f"rests on a placeholder: {text}" for text in result.summary.get("placeholders", ())),
                    *(f"warning: {text}" for text in ctx.warnings),
                ]
            ),
        }
        # what files say of themselves is quoted here, and a plan takes no control characters
        row = {name: shown(value) if isinstance(value, str) else value for name, value in row.items()}
        rows = [r for r in held if r["step"] != step.name] + [row]
        order = {name: place for place, name in enumerate(discover())}
        rows.sort(key=lambda r: order.get(r["step"], len(order)))
        return pd.DataFrame(rows, columns=PROVENANCE.field_names)

    def provenance(self) -> list[dict[str, Any]]:
        """What the plan says of the steps that wrote into it, a row each."""
        # requested many times in a step, and read anew only where the file was written to
        state = file_state(self.workspace.plan)
        if self._held_rows is None or self._held_rows[0] != state:
            there = self.workspace.has(PROVENANCE)
            rows = self.workspace.read(PROVENANCE).to_dict("records") if there else []
            self._held_rows = (state, rows)
        return list(self._held_rows[1])

    def records(self) -> dict[str, Record]:
        """What each step read and wrote when it last ran, by step."""
        return self.ledger.records(self.provenance())

    def is_done(self, step: Step) -> bool:
        """Whether the plan holds this step's results, and they answer to input, settings, version and plan."""
        return self.ledger.causes(self.records()).get(step.name) == []


def _as_json(data: Mapping[str, Any]) -> str:
    return json.dumps(dict(data), sort_keys=True, default=str)


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
    resume: bool = False,
    workers: Workers | None = None,
    redesign: bool = False,
) -> list[Outcome]:
    """Run the whole job, or the named steps, on one site.

    ``overwrite`` replaces results that are there, step by step. ``resume`` does exactly what is stale or missing,
    with the parameters that each step was last run with.
    """
    with Job(site, out, overwrite=overwrite or resume, workers=workers, redesign=redesign) as job:
        chosen = plan_steps(steps)
        for step in job.resume(chosen) if resume else chosen:
            job.run_again(step) if resume else job.run(step.name)
        return job.outcomes
