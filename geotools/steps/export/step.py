"""Declaration of the export step: every layer as GeoJSON, all of them as one KML."""

from __future__ import annotations

from datetime import date
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
from shapely import force_2d, is_geometry

from geotools.engine.step import FileOut, LayerIn, Param, Step, StepContext, StepResult
from geotools.errors import StepError
from geotools.plan import cautions
from geotools.plan.schema import LAYERS

FOLDER, KML_NAME = "geojson", "plan.kml"
_NOTE = (
    "Heights are left out: they stand in the fields, in metres above the site's own datum. "
    f"{cautions.DETECTION} {cautions.SERVICES} {cautions.EXPOSURE} {cautions.SENSITIVE}"
)


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or (not isinstance(value, str) and pd.isna(value)):
        return None
    if isinstance(value, pd.Timestamp | date):
        return value.isoformat()[:10]
    return value.item() if hasattr(value, "item") else value


def _lonlat(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    moved = frame.set_geometry(force_2d(frame.geometry.to_numpy()), crs=frame.crs).to_crs(4326)
    for name, column in moved.items():
        if pd.api.types.is_datetime64_any_dtype(column):
            moved[name] = column.dt.strftime("%Y-%m-%d").where(column.notna(), None)
    return moved


def run(ctx: StepContext) -> StepResult:
    """Write what the plan holds; see the manual beside this file."""
    # loads slowly, and every command would wait for it
    from geotools.steps.export.kml import KmlLayer, kml_text

    wanted = ctx.params["format"]
    shapes = [s for s in LAYERS.values() if s.geometry is not None and ctx.workspace.has(s)]
    if not shapes:
        raise StepError("the plan holds no layer yet", where=ctx.workspace.plan, mend="run `geotools run` first")
    files, layers = [], []
    for done, schema in enumerate(shapes):
        ctx.progress(done, len(shapes), schema.title)
        frame = _lonlat(ctx.read(schema))
        if wanted != "kml":
            name = f"{FOLDER}/{schema.name}.geojson"
            (ctx.scratch / FOLDER).mkdir(exist_ok=True)
            pyogrio.write_dataframe(
                frame,
                ctx.scratch / name,
                driver="GeoJSON",
                RFC7946="YES",
                COORDINATE_PRECISION="8",
                DESCRIPTION=f"{schema.title}. {schema.description} {cautions.DETECTION} {cautions.SENSITIVE}",
            )
            files.append(name)
        if wanted != "geojson" and schema.name != "upkeep":
            rows = [
                ({k: _plain(v) for k, v in row.items() if not is_geometry(v)}, row["geometry"])
                for row in frame.to_dict("records")
            ]
            layers.append(KmlLayer(schema, rows))
    if wanted != "geojson":
        (ctx.scratch / KML_NAME).write_text(kml_text(ctx.site.name, layers, _NOTE), encoding="utf-8")
        files.append(KML_NAME)
    ctx.say(f"{len(shapes)} layers in longitude and latitude (WGS 84)")
    return StepResult(files=files, summary={"layers": [s.name for s in shapes]})


STEP = Step(
    name="export",
    title="Export for people without a GIS",
    summary="Writes the plan's layers as GeoJSON and KML, in longitude and latitude.",
    run=run,
    params=(
        Param(
            "format",
            "choice",
            "Which files to write.",
            "both",
            choices=("both", "geojson", "kml"),
        ),
    ),
    inputs=tuple(LayerIn(s, "exported", required=False) for s in LAYERS.values() if s.geometry is not None),
    files=(
        FileOut(f"{FOLDER}/", "data", "Each layer as GeoJSON (RFC 7946)."),
        FileOut(KML_NAME, "data", "All layers as one KML 2.2 document for a globe viewer, in the plan's colours."),
    ),
    uses_terrain=False,
    order=0,
    citations=("RFC 7946, The GeoJSON Format", "OGC KML 2.2 (07-147r2)"),
    cautions=(cautions.SENSITIVE, "Do not load the files into an online viewer."),
)
