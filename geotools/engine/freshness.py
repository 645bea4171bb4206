"""Which results of a job answer to its site file, input and plan as they are now, and why others do not."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from geotools import __version__
from geotools.engine.step import Step, discover
from geotools.engine.tracking import RECIPIENT, Reads
from geotools.io.files import is_remote, sha256
from geotools.io.sidecars import SIDECAR, sidecar_code
from geotools.plan.freshness import PlanFacts, Record, edited_layers, kept_layers, own_causes
from geotools.plan.schema import PROVENANCE
from geotools.plan.workspace import Workspace
from geotools.site import Site
from geotools.site.sources import file_parts, open_sources

__all__ = ["FileCodes", "Ledger", "OutputState", "job_states", "of_results", "read_back"]

#: Marks files beside the plan among the files that a step read.
_BESIDE = "plan folder/"
#: In place of the code of a file that belongs to another and is not there.
_GONE = "not there"


class FileCodes:
    """Codes of files' content, reckoned anew only where a file was written to since.

    Parameters
    ----------
    base : Path
        Folder from which names in records count, so that a job can be moved together with its input.
    """

    def __init__(self, base: Path) -> None:
        self.base = base.resolve()
        self._held: dict[Path, tuple[tuple[int, int, int], str]] = {}

    def name(self, path: str) -> str:
        """The name that a record takes: below the folder where it can be."""
        if is_remote(path):
            return path
        try:
            return os.path.relpath(Path(path).resolve(), self.base).replace(os.sep, "/")
        except ValueError:  # another drive
            return path

    def code(self, name: str) -> str | None:
        """Code of a file with all that belongs to it (parts, sidecars, tiles); None where it is not there."""
        if is_remote(name):
            return f"not hashed: {name}"
        path = self.base / name
        if not path.is_file():
            return None
        return "+".join(sorted(self._one(part) for part in file_parts(path)))

    def exists(self, name: str) -> bool:
        """Whether there is such a file."""
        return (self.base / name).is_file()

    def _one(self, path: Path) -> str:
        if not path.is_file():
            return _GONE  # a tile: whoever reads the raster says so, and a result made with it is no longer current
        held = path.stat()
        state = (held.st_ino, held.st_size, held.st_mtime_ns)
        known = self._held.get(path)
        if known is None or known[0] != state:
            told = sidecar_code(path) if path.name.endswith(SIDECAR) else None
            known = self._held[path] = (state, told or sha256(path)[:32])
        return known[1]


@dataclass
class OutputState:
    """One layer, or one file beside the plan, as it stands.

    Attributes
    ----------
    name, step : str
        What it is called, and the step that makes it.
    kind : str
        ``layer`` or ``file``.
    state : str
        ``current``, ``stale``, ``missing``, or ``edited``: a person's, and so input.
    causes : list of str
        Why it is stale.
    """

    name: str
    step: str
    kind: Literal["layer", "file"]
    state: Literal["current", "stale", "missing", "edited"]
    causes: list[str] = field(default_factory=list)


def of_results(causes: Iterable[str]) -> list[str]:
    """Those causes that concern layers: whom paper is for stands on paper alone."""
    return [cause for cause in causes if not cause.startswith(f"{RECIPIENT} ")]


def read_back(step: Step) -> tuple[str, ...]:
    """Layers of its own that a step takes as a person left them."""
    outputs = {out.schema.name for out in step.outputs}
    return tuple(given.schema.name for given in step.inputs if given.schema.name in outputs)


class Ledger:
    """Compares what the plan says of its making with how things are.

    Parameters
    ----------
    site : Site
        The site file as it is.
    workspace : Workspace
        The plan.
    """

    def __init__(self, site: Site, workspace: Workspace) -> None:
        self.workspace = workspace
        self.files = FileCodes(site.folder)
        self._beside = FileCodes(workspace.folder)
        self._settings: dict[str, Any] = {**site.model_dump(mode="json"), RECIPIENT: site.recipient}
        self.workspace.digests(out.schema for step in discover().values() for out in step.outputs)

    def records(self, rows: Iterable[Mapping[str, Any]]) -> dict[str, Record]:
        """The records that rows of the provenance table hold, by step."""
        found = {}
        for row in rows:
            record = Record.of_text(str(row["step"]), str(row["version"]), row.get("record"))
            if record is not None:
                found[record.step] = record
        return found

    def facts(self) -> PlanFacts:
        """How things are now."""
        known: dict[str, str | None] = {}

        def code(name: str) -> str | None:
            if name not in known:
                beside = name.startswith(_BESIDE)
                known[name] = self._beside.code(name.removeprefix(_BESIDE)) if beside else self.files.code(name)
            return known[name]

        return PlanFacts(__version__, self._settings, self.workspace.digests(), code, self._beside.exists)

    def note(self, step: Step, reads: Reads, records: Mapping[str, Record], hand: Iterable[str]) -> Record:
        """A record of what a step has read; what it wrote is put in by `written`."""
        beside: dict[str, str | None] = {}
        if reads.beside:
            for other in _before(step):
                for name in (f.name for f in other.files if f.kind == "raster"):
                    made = records.get(other.name)
                    if made is not None and name in made.files_written:
                        beside[_BESIDE + name] = self._beside.code(name)
        sections = reads.sections - ({RECIPIENT} if "sheets" in reads.sections else set())
        return Record(
            step.name,
            __version__,
            settings={name: self._settings.get(name) for name in sorted(sections)},
            layers_read=dict(reads.layers),
            files_read={self.files.name(name): code for name, code in reads.files.items()} | beside,
            hand=sorted(set(hand)),
            serial=1 + max((r.serial for r in records.values()), default=0),
        )

    def causes(self, records: Mapping[str, Record]) -> dict[str, list[str]]:
        """Why each step's results are stale, by step in the order of the job; an empty list where they are current."""
        facts, every = self.facts(), list(records.values())
        found: dict[str, list[str]] = {}
        for step in discover().values():
            record = records.get(step.name)
            if record is None:
                continue
            causes = own_causes(record, facts, every, read_back(step))
            edited = edited_layers(facts, every)
            stale = [other.name for other in _before(step) if of_results(found.get(other.name, ()))]
            under = [n for n in stale if set(record.layers_read) & set(records[n].layers_written) - set(edited)]
            if under:
                causes.append(f"stands on {', '.join(under)}, which {'is' if len(under) == 1 else 'are'} stale")
            found[step.name] = causes
        return found

    def kept(self, records: Mapping[str, Record]) -> set[str]:
        """Layers that a person had a hand in."""
        return kept_layers(self.facts(), list(records.values()))

    def edited(self, records: Mapping[str, Record]) -> set[str]:
        """Layers edited since a step wrote them."""
        return set(edited_layers(self.facts(), list(records.values())))

    def makers(self, step: Step, records: Mapping[str, Record]) -> list[Step]:
        """Earlier steps with results that this one would read, and what those stand on; in the order of the job."""
        steps, wanted = discover(), [step]
        found: set[str] = set()
        while wanted:
            here = wanted.pop()
            names = {given.schema.name for given in here.inputs}
            for other in _before(here):
                if (
                    other.name in records
                    and other.name not in found
                    and names & set(records[other.name].layers_written)
                ):
                    found.add(other.name)
                    wanted.append(other)
        return [steps[name] for name in steps if name in found]

    def states(self, records: Mapping[str, Record]) -> list[OutputState]:
        """Every layer and file that steps make, in the order of the job."""
        facts, why = self.facts(), self.causes(records)
        edited = self.edited(records)
        found: list[OutputState] = []
        done: set[str] = set()
        written: dict[str, Record] = {}
        for made in sorted(records.values(), key=lambda r: r.serial):
            written.update(dict.fromkeys(made.files_written, made))
        for step in discover().values():
            held = records.get(step.name)
            causes = why.get(step.name, ["made before records were kept: run the step again"])
            for out in step.outputs:
                name = out.schema.name
                if name in done:
                    continue
                done.add(name)
                if name not in facts.layers:
                    found.append(OutputState(name, step.name, "layer", "missing"))
                elif name in edited:
                    found.append(OutputState(name, step.name, "layer", "edited"))
                else:
                    more = [c for other in _updaters(name, step) for c in why.get(other.name, [])]
                    every = of_results(dict.fromkeys([*causes, *more]))
                    found.append(OutputState(name, step.name, "layer", "stale" if every else "current", every))
            if held is None:
                for name in (f.name for f in step.files):
                    there = (self.workspace.folder / name).exists()
                    found.append(OutputState(name, step.name, "file", "missing"))
                    if there and name not in written:
                        found[-1] = OutputState(name, step.name, "file", "stale", causes)
            for name in held.files_written if held is not None else ():
                if written[name] is not held:
                    continue  # another step made it anew
                if not facts.beside(name):
                    found.append(OutputState(name, step.name, "file", "missing"))
                else:
                    found.append(OutputState(name, step.name, "file", "stale" if causes else "current", causes))
        return found


def job_states(site: Site, out: Path) -> list[OutputState]:
    """Every layer and file of a job as it stands; nothing is written.

    Parameters
    ----------
    site : Site
        The site file as it is.
    out : Path
        Folder of the plan.

    Returns
    -------
    list of OutputState
        In the order of the job.

    Raises
    ------
    InputError
        Where the input or the plan cannot be read.
    """
    workspace = Workspace(out, open_sources(site).plan_crs)
    ledger = Ledger(site, workspace)
    rows = workspace.read(PROVENANCE).to_dict("records") if workspace.has(PROVENANCE) else []
    return ledger.states(ledger.records(rows))


def _before(step: Step) -> list[Step]:
    """Steps that come before this one in the order of the job."""
    found = []
    for other in discover().values():
        if other.name == step.name:
            break
        found.append(other)
    return found


def _updaters(name: str, maker: Step) -> list[Step]:
    """Other steps that fill the layer in."""
    return [s for s in discover().values() if s.name != maker.name and any(o.schema.name == name for o in s.outputs)]
