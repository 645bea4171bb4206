"""What a batch leaves for people: the table of outcomes, and one GeoPackage of all sites for the planner."""

from __future__ import annotations

import os
import uuid
from collections.abc import Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from geotools.cli.batch.task import SiteResult
from geotools.detection.verdict_rows import EVERY_THREAT, conditions, named_as_judged, threats_passing_lower
from geotools.detection.verdicts import VERDICTS as NAMES
from geotools.errors import OutputError
from geotools.io.files import close_to_others, disk_words, write_text
from geotools.io.tables import csv_text
from geotools.plan import gpkg
from geotools.plan.conform import conform
from geotools.plan.schema import BATCH_SITES, LAYERS, PROVENANCE, VERDICTS, Field, LayerSchema
from geotools.plan.workspace import PLAN_NAME, PLAN_TROUBLE, Workspace, frame_of, plan_crs_of

TABLE_NAME = "outcomes.csv"
COMBINED_NAME = "batch.gpkg"
_SITE = Field("site", "text", "name of the site in the batch", nullable=False)


def outcome_rows(out: Path, results: Sequence[SiteResult]) -> list[dict[str, object]]:
    """A row for each site of a batch in a folder, in the manifest's order."""
    return [
        {
            "site": r.name,
            "folder": f"sites/{r.folder}",
            "state": r.state,
            "steps": " ".join(r.steps),
            "warnings": r.warnings,
            **_held(out / "sites" / r.folder / PLAN_NAME, r),
            "report": _report(out, r),
            "problem": r.error.get("error"),
            "problem_where": r.error.get("where"),
            "found": r.error.get("found"),
            "mend": r.error.get("mend"),
            "exit_code": r.exit_code,
        }
        for r in results
    ]


def _report(out: Path, result: SiteResult) -> str | None:
    """The site's report counted from the batch's folder, where there is one."""
    name = f"sites/{result.folder}/report.html"
    return name if result.state != "failed" and (out / name).is_file() else None


def _held(plan: Path, result: SiteResult) -> dict[str, object]:
    """Warnings, verdicts and worst place as the plan holds them, whoever ran what when; nothing where it failed."""
    if result.state == "failed" or not plan.exists():
        return {}
    workspace = Workspace(plan.parent, plan_crs_of(plan))
    notes = workspace.read(PROVENANCE)["notes"].dropna() if workspace.has(PROVENANCE) else []
    warnings = sum(line.startswith("warning: ") for text in notes for line in str(text).splitlines())
    if not workspace.has(VERDICTS):
        return {"warnings": warnings}
    verdicts = workspace.read(VERDICTS)
    return {"warnings": warnings, "worst_place": _worst_place(verdicts), **_lengths(verdicts)}


def _worst_place(held: gpd.GeoDataFrame) -> str | None:
    """The longest stretch of the worst verdict, in words; where all is detected the condition of that, or None."""
    mine = held[held["threat"] != EVERY_THREAT]
    for verdict in ("undetected", "no_beam", "unproven"):
        rows = mine[mine["verdict"] == verdict]
        if len(rows):
            row = rows.loc[(rows["to_m"] - rows["from_m"]).idxmax()]
            zone = f" in {row['zone_id']}" if isinstance(row["zone_id"], str) else ""
            place = f"{row['to_m'] - row['from_m']:.1f} m from {row['from_m']:.1f} m along {row['fence_id']}"
            return f"{verdict.replace('_', ' ')}, {row['threat']}{zone}: {place}"
    given = conditions(held)
    return f"none, on the condition {given}" if given else None


def _lengths(held: gpd.GeoDataFrame) -> dict[str, object]:
    """Metres of fence by verdict, of all threats together and of each."""
    metres = (held["to_m"] - held["from_m"]).groupby([held["threat"], held["verdict"]]).sum()
    lengths = {t: [float(metres.get((t, name), 0.0)) for name in NAMES] for t in dict.fromkeys(held["threat"])}
    worst = lengths.pop(EVERY_THREAT, None)
    if worst is None:
        return {}
    lower = threats_passing_lower(held)
    parts = [
        f"{named_as_judged(threat, lower)}: "
        + ", ".join(f"{m:.1f} {name.replace('_', ' ')}" for name, m in zip(NAMES, each, strict=True))
        for threat, each in lengths.items()
    ]
    return {f"{name}_m": round(m, 2) for name, m in zip(NAMES, worst, strict=True)} | {"verdicts": "; ".join(parts)}


def write_table(out: Path, results: Sequence[SiteResult]) -> Path:
    """The outcomes as a table that a spreadsheet opens; cells cannot run as formulas."""
    path = out / TABLE_NAME
    write_text(path, "\ufeff" + csv_text(BATCH_SITES.field_names, outcome_rows(out, results)), private=True)
    return path


def combined_schema(schema: LayerSchema) -> LayerSchema:
    """A layer of a plan as it stands in the batch's file: with the site's name before its fields."""
    return replace(schema, fields=(_SITE, *schema.fields), key=None, made_by="(batch)")


def _common_crs(systems: Sequence[CRS]) -> CRS:
    """The system all plans share; else degrees, which hold sites far from each other."""
    first = systems[0] if systems else CRS("EPSG:4326")
    return first if all(crs == first for crs in systems) else CRS("EPSG:4326")


def _layer(schema: LayerSchema, plans: Sequence[tuple[str, Workspace]], crs: CRS) -> gpd.GeoDataFrame | None:
    """Rows of one layer from every plan that holds it."""
    frames = []
    for name, plan in plans:
        if plan.has(schema):
            frame = plan.read(schema)
            frame.insert(0, "site", name)
            frames.append(frame if schema.geometry is None else frame.to_crs(crs))
    full = [frame for frame in frames if len(frame)]
    if not frames:
        return None
    return pd.concat(full or frames[:1], ignore_index=True)


def write_combined(out: Path, results: Sequence[SiteResult]) -> Path:
    """All layers of all finished sites in one GeoPackage with the table of outcomes; whole or not at all."""
    plans = []
    for r in results:
        plan = out / "sites" / r.folder / PLAN_NAME
        if r.state != "failed" and plan.exists():
            plans.append((r.name, Workspace(plan.parent, plan_crs_of(plan))))
    crs = _common_crs([plan.plan_crs for _, plan in plans])
    path = out / COMBINED_NAME
    with _replacing(path) as temporary:
        written = []
        for schema in (BATCH_SITES, *LAYERS.values()):
            if schema is BATCH_SITES:
                made, frame = schema, frame_of(schema, outcome_rows(out, results))
            else:
                made, frame = combined_schema(schema), _layer(schema, plans, crs)
            if frame is not None:
                gpkg.write_layer(temporary, made, conform(frame, made), crs)
                written.append(made)
        gpkg.finish(temporary, written)
    return path


@contextmanager
def _replacing(path: Path):  # type: ignore[no-untyped-def]
    temporary = path.with_name(f".plan-{uuid.uuid4().hex}.gpkg")
    try:
        yield temporary
        with open(temporary, "rb+") as written:
            os.fsync(written.fileno())
        close_to_others(temporary)
        os.replace(temporary, path)
    except PLAN_TROUBLE as problem:
        raise OutputError(
            "the batch's GeoPackage could not be written; each site's own plan stands",
            where=path,
            found=disk_words(problem, path.parent),
            mend="check free space and write permission of the folder, then run again with --resume",
        ) from problem
    finally:
        for leftover in path.parent.glob(temporary.name + "*"):
            leftover.unlink(missing_ok=True)
