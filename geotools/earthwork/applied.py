"""The proposed state made a site of its own: site file, fence, terrain and a plan that every step runs on."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
from pyproj import CRS

from geotools.detection.chains import perimeter_of
from geotools.earthwork.applied_water import write_waterways, write_works
from geotools.earthwork.from_plan import CUT_FILL, design_of
from geotools.earthwork.proposal import proposed_zones
from geotools.earthwork.proposed_heads import left_over, planned_zones
from geotools.engine.freshness import Ledger
from geotools.engine.runner import Job
from geotools.engine.writing import writing
from geotools.errors import OutputError, StepError
from geotools.io.files import close_to_others, is_remote
from geotools.io.publish import SCRATCH_PREFIX
from geotools.plan.digest import file_state
from geotools.plan.freshness import Record
from geotools.plan.model import Zone
from geotools.plan.schema import BEAMS, FENCE, HEADS, PROPOSED_HEADS, PROVENANCE, ZONES
from geotools.plan.workspace import Workspace, frame_of
from geotools.plan.zones import beam_rows, head_rows, zone_row
from geotools.site import Site, open_site
from geotools.site.sources import Sources, file_parts, open_sources
from geotools.site.written import as_set, site_file_text
from geotools.terrain.proposed import WrittenTerrain, write_proposed

__all__ = ["Applied", "apply_proposal"]

SITE_NAME, TERRAIN_NAME, FENCE_NAME, OUT_NAME, INPUT_NAME = "site.toml", "terrain.tif", "fence.gpkg", "out", "input"
_OURS = {SITE_NAME, TERRAIN_NAME, f"{TERRAIN_NAME}.aux.xml", FENCE_NAME, OUT_NAME, INPUT_NAME}
WATERWAYS = f"{INPUT_NAME}/waterways/waterways.gpkg"
_HEADING = "Proposed state, written by `geotools apply`: run it again after the proposal has changed."
_SUFFIX = " (proposed)"
#: Settings that name further files.
_FILES = (
    ("input", "keep_outs"),
    ("input", "gates"),
    ("input", "movers"),
    ("grading", "no_dig"),
    ("cameras", "positions"),
    ("routes", "sources"),
    ("survey", "check_points"),
    ("input", "levels"),
)


@dataclass(frozen=True)
class Applied:
    """What was written.

    Attributes
    ----------
    site_file : Path
        Its site file.
    plan : Path
        Its plan, in the folder that steps are to be run in.
    terrain : WrittenTerrain
        The grid of its terrain.
    zones, heads : int
        How many it has.
    notes : list of str
        What is to be known of it.
    """

    site_file: Path
    plan: Path
    terrain: WrittenTerrain
    zones: int
    heads: int
    notes: list[str] = field(default_factory=list)


def _check_current(site: Site, workspace: Workspace) -> None:
    """StepError where the plan holds no proposal that answers to it."""
    ledger = Ledger(site, workspace)
    rows = workspace.read(PROVENANCE).to_dict("records") if workspace.has(PROVENANCE) else []
    causes = ledger.causes(ledger.records(rows)).get("remedy")
    if causes is None or not workspace.has(PROPOSED_HEADS):
        raise StepError(
            "the plan holds no proposal yet",
            where=workspace.plan,
            found="no results of the step remedy",
            expected=f"layer {PROPOSED_HEADS.name} and {CUT_FILL}",
            mend="run `geotools remedy` first",
        )
    if causes:
        raise StepError(
            "the proposal is stale",
            where=workspace.plan,
            found="; ".join(causes[:5]),
            expected="a proposal that answers to the site file, the input and the plan as they are",
            mend="run `geotools remedy` again, with --overwrite",
        )


def _check_target(into: Path, job: Path, overwrite: bool) -> None:
    """OutputError where something stands in the folder that may not be replaced."""
    if not into.exists():
        return
    there = {path.name for path in into.iterdir()} if into.is_dir() else {into.name}
    if not there:
        return
    own = into.is_dir() and not into.is_symlink() and (into / SITE_NAME).is_file()
    own = own and (into / SITE_NAME).read_text("utf-8", "replace").startswith(f"# {_HEADING}")
    held = job.resolve()
    if not own or there - _OURS or into.resolve() in (held, *held.parents):
        raise OutputError(
            "the folder for the proposed state holds something else",
            where=into,
            found=", ".join(sorted(there - _OURS if own else there)[:5]) or "the job itself",
            expected="a new or empty folder, or one that `geotools apply` wrote",
            mend="choose another folder",
        )
    if not overwrite:
        raise OutputError(
            "there is a proposed state already",
            where=into,
            mend=f"add --overwrite to replace it with all results in its folder {OUT_NAME}, or choose another folder",
        )


@contextmanager
def _put_in_place(into: Path, private: bool) -> Iterator[Path]:
    """A folder beside the target that takes its place when all went well, and is gone otherwise.

    ``private`` : all that is in it is for its owner alone.
    """
    with writing(into):
        into.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=SCRATCH_PREFIX, dir=into.parent))
    try:
        made = scratch / "made"
        made.mkdir()
        yield made
        with writing(into):
            if private:
                close_to_others(made)
            if into.exists():
                os.replace(into, scratch / "before")
            try:
                os.replace(made, into)
            except OSError:
                if (scratch / "before").exists():
                    os.replace(scratch / "before", into)
                raise
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _copied(site: Site, folder: Path, settings: dict[str, Any]) -> None:
    """Copy further files of the site with all that belongs to them, and name the copies in the settings."""
    for section, name in _FILES:
        given = settings.get(section, {}).get(name)
        if given is None or is_remote(str(given)):
            continue
        source = Path(site.path(str(given)))
        if not source.is_file():
            raise OutputError(
                "a file that the site names is not there to be taken along",
                where=f"{section}.{name}",
                found=str(source),
                mend="put the file back, or take the setting out and run `geotools remedy` again",
            )
        place = folder / INPUT_NAME / name
        with writing(folder):
            place.mkdir(parents=True, exist_ok=True)
            for part in file_parts(source):
                shutil.copyfile(part, place / part.name)
        settings[section][name] = f"{INPUT_NAME}/{name}/{source.name}"


def _settings(site: Site, sources: Sources, terrain: WrittenTerrain) -> dict[str, Any]:
    """Settings of the proposed site: the site's own, with its new files."""
    settings = as_set(site)
    name = site.name.removesuffix(_SUFFIX)
    settings["name"] = f"{name[: 100 - len(_SUFFIX)]}{_SUFFIX}"
    given = dict(settings["input"])
    for gone in ("fence_layer", "fence_crs", "terrain_band", "terrain_crs"):
        given.pop(gone, None)
    given |= {"fence": FENCE_NAME, "terrain": TERRAIN_NAME}
    if terrain.reprojected:
        given["vertical_unit"] = "metre"
        if sources.vertical_datum != "not stated":
            given["vertical_datum"] = sources.vertical_datum
    settings["input"] = given
    return settings


def _write_fence(path: Path, fence: Any, plan_crs: CRS) -> None:
    """The fence lines of the plan, edited ones as edited, in the plan's coordinate system."""
    with writing(path):
        fence[["fence_id", "geometry"]].to_crs(plan_crs).to_file(path, layer="fence", driver="GPKG")


def _write_plan(site: Site, out: Path, zones: list[Zone], empty: Any, lone: Any) -> None:
    """The plan: fence by inspect, the heads as given, and layout's own look at them, so that its records are whole."""
    with Job(site, out, overwrite=True) as job:
        job.run("inspect")
        lines = job.workspace.read(FENCE).set_index("fence_id").geometry
        rows: dict[Any, list[dict[str, Any]]] = {ZONES: list(empty), HEADS: list(lone), BEAMS: []}
        half = site.detection.half_width_m
        for zone in zones:
            rows[ZONES].append(zone_row(zone, lines[zone.fence_id], half))
            rows[HEADS] += head_rows(zone, (None, None))
            rows[BEAMS] += beam_rows(zone)
        crs = job.workspace.work_crs
        job.workspace.write({schema: frame_of(schema, found, crs) for schema, found in rows.items()})
        job.run("layout", keep=True)
        # a later layout takes these heads as it takes those that a person set
        told = pd.DataFrame(job.provenance(), columns=PROVENANCE.field_names)
        told["record"] = [
            _by_hand(text) if step == "layout" else text
            for step, text in zip(told["step"], told["record"], strict=True)
        ]
        job.workspace.write({PROVENANCE: told})


def _by_hand(text: str) -> str:
    record = Record.of_text("layout", "", text)
    if record is None:
        return text
    return replace(record, hand=sorted({HEADS.name, ZONES.name, BEAMS.name})).to_text()


def apply_proposal(site: Site, job: Path | str, into: Path | str, *, overwrite: bool = False) -> Applied:
    """Make the state that a remedy recommends a site of its own.

    Parameters
    ----------
    site : Site
        The site as it stands.
    job : Path or str
        Folder of its plan, in which the step remedy has run.
    into : Path or str
        Folder to write; it holds ``site.toml``, ``fence.gpkg``, ``terrain.tif`` and ``out/plan.gpkg`` afterwards.
    overwrite : bool, default False
        Whether an earlier proposed state there is replaced, with the results in its folder ``out``.

    Returns
    -------
    Applied
        What was written.

    Raises
    ------
    StepError
        There is no proposal, or it is stale.
    OutputError
        The folder holds something else, or cannot be written; it is then as it was.
    InputError
        The site's files or the plan cannot be read.
    """
    job, into = Path(job), Path(into)
    sources = open_sources(site)
    workspace = Workspace(job, sources.plan_crs)
    _check_current(site, workspace)
    _check_target(into, job, overwrite)
    before = file_state(workspace.plan), file_state(job / CUT_FILL)
    with sources.open_terrain(site) as terrain:
        unanswered: list[str] = []
        perimeter = perimeter_of(site, workspace.read, terrain, unanswered.append)
        surface = design_of(site, perimeter, terrain, job, workspace.plan_crs)
        proposed = proposed_zones(site, perimeter, workspace.read(PROPOSED_HEADS))
        heads, zones, fence = workspace.read(HEADS), workspace.read(ZONES), workspace.read(FENCE)
        planned = planned_zones(site, perimeter.zones, proposed, heads, surface)
        empty, lone = left_over(zones, heads, perimeter.zones)
        with _put_in_place(into, site.sharing.private) as folder:
            with writing(into):
                written = write_proposed(folder / TERRAIN_NAME, terrain, surface)
            _write_fence(folder / FENCE_NAME, fence, workspace.plan_crs)
            settings = _settings(site, sources, written)
            _copied(site, folder, settings)
            with writing(folder):
                works = write_works(folder / INPUT_NAME / "works", job, site, workspace, surface, perimeter)
                settings["input"]["works"] = works.relative_to(folder).as_posix()
                if write_waterways(folder / WATERWAYS, site, workspace):
                    settings["input"]["waterways"] = WATERWAYS
            with writing(into):
                (folder / SITE_NAME).write_text(site_file_text(settings, _HEADING), encoding="utf-8", newline="\n")
            _write_plan(open_site(folder / SITE_NAME), folder / OUT_NAME, planned, empty, lone)
            if (file_state(workspace.plan), file_state(job / CUT_FILL)) != before:
                raise OutputError(
                    "the plan was changed while its proposal was taken over",
                    where=workspace.plan,
                    expected="nobody at work in it",
                    mend="run `geotools apply` again",
                )
    notes = [*unanswered, *_notes(planned, written, terrain.cell_m)]
    count = sum(len(zone.heads) for zone in planned)
    return Applied(into / SITE_NAME, into / OUT_NAME / workspace.plan.name, written, len(planned), count, notes)


def _notes(planned: list[Zone], terrain: WrittenTerrain, cell_m: float) -> list[str]:
    notes = []
    if terrain.reprojected:
        notes.append(
            f"the terrain is written in the plan's coordinate system, in metres, cells of {terrain.cell_m:.3g} m"
        )
    elif not terrain.same_grid:
        notes.append(
            f"the terrain is written with cells of {terrain.cell_m:.3g} m, not {cell_m:.3g} m, so that it reads "
            "between them as the design surface does"
        )
    heads = [head for zone in planned for head in zone.heads]
    bare = sum(head.channel is None for head in heads)
    if 0 < bare < len(heads):
        notes.append(f"{bare} new heads have no channel yet: run `geotools channels` on the proposed site")
    return notes
