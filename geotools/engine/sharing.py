"""What of a job goes to whom: the plan, the rasters and the paper of an audience, put together and put in place."""

from __future__ import annotations

import os
import shutil
import tempfile
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from geotools.engine.freshness import job_states
from geotools.engine.step import discover
from geotools.engine.writing import writing
from geotools.errors import OutputError, StepError
from geotools.io.files import close_to_others
from geotools.io.publish import SCRATCH_PREFIX
from geotools.plan.audiences import PUBLIC, Extract, extract
from geotools.plan.cautions import CAUTIONS
from geotools.plan.metadata import Described
from geotools.plan.paper_map import PaperMap, draw_map
from geotools.plan.shared import copy_whole, write_extract
from geotools.plan.workspace import PLAN_NAME, Workspace
from geotools.site import Site
from geotools.site.sharing import Audience
from geotools.site.sources import open_sources

__all__ = ["KINDS", "Shared", "share"]

#: Endings of the file, and what they make of it.
KINDS = (".gpkg", ".pdf", ".zip")
PAPER_NAME = "plan.pdf"


@dataclass
class Shared:
    """What was handed over.

    Attributes
    ----------
    file : Path
        The file.
    audience : str
        For whom.
    layers, rasters : list of str
        What of the plan is in it.
    warnings : list of str
        What to look at before it leaves the house.
    """

    file: Path
    audience: str
    layers: list[str]
    rasters: list[str]
    warnings: list[str] = field(default_factory=list)


def share(
    site: Site, job: Path, audience: Audience, file: Path, *, recipient: str = "", overwrite: bool = False
) -> Shared:
    """Write what an audience may see of a job into one file.

    Parameters
    ----------
    site : Site
        Its site file says who sees what (``sharing``).
    job : Path
        Folder of the plan.
    audience : {"public", "contractor", "client", "full"}
        For whom; ``full`` leaves nothing out.
    file : Path
        ``.gpkg``: the plan; ``.pdf``: a map on paper; ``.zip``: both with the rasters.
    recipient : str
        Who gets it; stands on the paper. That of the site file (``sheets``) if not given; paper that is not for the
        public must name one.
    overwrite : bool
        Whether the file may be replaced.

    Raises
    ------
    StepError
        The plan holds nothing of it, or what is stale.
    OutputError
        The file is there already, has another ending, or cannot be written.
    SiteError
        The site file names a layer or field that is not there.
    """
    recipient = " ".join((recipient or site.sheets.recipient).split())
    kind = _check(file, job, audience, recipient, overwrite)
    sources = open_sources(site)
    workspace = Workspace(job, sources.plan_crs)
    workspace.digests(out.schema for step in discover().values() for out in step.outputs)
    seen = _seen(site, workspace, audience)
    _refuse_stale(site, job, seen)
    rasters = sorted(path for path in job.glob("*.tif") if path.name in seen.rasters) if kind == ".zip" else []
    warnings = _warnings(site, workspace, audience)
    with writing(file):
        file.parent.mkdir(parents=True, exist_ok=True)
        scratch = tempfile.TemporaryDirectory(prefix=SCRATCH_PREFIX, dir=file.parent, ignore_cleanup_errors=True)
    with scratch as name:
        folder = Path(name)
        plan = folder / (file.name if kind == ".gpkg" else PLAN_NAME)
        rights = " ".join(part for part in (f"For {recipient}." if recipient else "", _rights(audience)) if part)
        said = Described(site.name, workspace.plan_crs, sources.vertical_datum, rights)
        if audience == "full":
            if not copy_whole(workspace, plan, said, rasters):
                warnings.append("the project that was saved in the plan stays; it looks for the plan as ./plan.gpkg")
        else:
            written = {schema.name for schema in write_extract(workspace, seen, plan, said, rasters)}
            seen = Extract(tuple(s for s in seen.layers if s.name in written), seen.rasters)
        if kind != ".gpkg":
            draw_map(folder / PAPER_NAME, _paper(site, workspace, seen, audience, recipient, sources.vertical_datum))
        made = plan if kind == ".gpkg" else folder / PAPER_NAME
        with writing(file):
            if kind == ".zip":
                made = _packed(folder / "packed.zip", [plan, folder / PAPER_NAME, *rasters])
            if site.sharing.private:
                close_to_others(made)
            else:
                made.chmod(0o644)
            os.replace(made, file)
    layers = [s.name for s in seen.layers]
    return Shared(file, audience, layers, [path.name for path in rasters], warnings)


def _rights(audience: Audience) -> str:
    return "" if audience == "public" else " ".join(CAUTIONS)


def _check(file: Path, job: Path, audience: str, recipient: str, overwrite: bool) -> str:
    kind = file.suffix.lower()
    if kind not in KINDS:
        raise OutputError("a file of that ending cannot be made", where=file, expected=" or ".join(KINDS))
    if not (job / PLAN_NAME).is_file():
        raise StepError("there is no plan in that folder", where=job, mend="run `geotools run` into it first")
    if file.resolve() == (job / PLAN_NAME).resolve():
        raise OutputError("the plan itself would be replaced", where=file, mend="choose another file")
    if file.exists() and not overwrite:
        raise OutputError("the file is there already", where=file, mend="add --overwrite, or choose another file")
    if kind != ".gpkg" and audience != "public" and not recipient:
        raise OutputError(
            "paper that tells where a site is weak names who it is for",
            where=file,
            expected="a recipient",
            mend='add --recipient "NAME"',
        )
    return kind


def _seen(site: Site, workspace: Workspace, audience: Audience) -> Extract:
    """What the audience sees of what the plan holds."""
    known = workspace.known
    held = set(workspace.layer_names())
    if audience == "full":
        rasters = frozenset(path.name for path in workspace.folder.glob("*.tif"))
        return Extract(tuple(schema for name, schema in known.items() if name in held), rasters)
    found = extract(getattr(site.sharing, audience), known, f"setting sharing.{audience}")
    layers = tuple(schema for schema in found.layers if schema.name in held)
    if not layers:
        raise StepError(
            "the plan holds none of the layers that this audience sees",
            where=workspace.plan,
            expected=", ".join(schema.name for schema in found.layers),
            mend="run `geotools run` first",
        )
    return Extract(layers, found.rasters)


def _refuse_stale(site: Site, job: Path, seen: Extract) -> None:
    """StepError where what is handed over does not answer to input, settings and plan as they are."""
    names = {schema.name for schema in seen.layers} | seen.rasters
    stale = {s.name: s.causes for s in job_states(site, job) if s.name in names and s.state == "stale"}
    if stale:
        causes = dict.fromkeys(cause for each in stale.values() for cause in each)
        raise StepError(
            "results that would be handed over are stale",
            where=job,
            found=f"{', '.join(stale)}: {'; '.join(list(causes)[:4])}",
            mend="run `geotools run SITE.toml --out JOB --resume` first",
        )


def _warnings(site: Site, workspace: Workspace, audience: Audience) -> list[str]:
    if audience != "public":
        return []
    given = extract(site.sharing.public, workspace.known, "setting sharing.public")
    usual = {s.name: set(s.field_names) for s in extract(PUBLIC, workspace.known, "").layers}
    more = [
        f"{schema.name}.{name}"
        for schema in given.layers
        for name in schema.field_names
        if name not in usual.get(schema.name, set())
    ]
    more += sorted(given.rasters)
    if not more:
        return []
    told = ", ".join(more[:8]) + (f" and {len(more) - 8} more" if len(more) > 8 else "")
    return [f"the site file adds to what the public sees: {told}; make sure that none of it shows a weak place"]


def _paper(site: Site, workspace: Workspace, seen: Extract, audience: str, recipient: str, datum: str) -> PaperMap:
    frames = {s: workspace.read(workspace.known[s.name]) for s in seen.layers if s.geometry is not None}
    return PaperMap(
        site=site.name,
        audience=audience,
        recipient=recipient,
        crs=workspace.plan_crs.name,
        vertical_datum=datum,
        revision=site.sheets.revision,
        date="" if site.sheets.date is None else site.sheets.date.isoformat(),
        layers=frames,
    )


def _packed(target: Path, files: Sequence[Path]) -> Path:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in files:
            info = zipfile.ZipInfo(path.name, (2000, 1, 1, 0, 0, 0))
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o600 << 16
            with open(path, "rb") as source, archive.open(info, "w") as held:
                shutil.copyfileobj(source, held)
    return target
