"""Declaration of the export step: every layer as GeoJSON, all of them as one KML."""

from __future__ import annotations

from datetime import date
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
from shapely import force_2d, force_3d, get_coordinates, has_z, is_geometry, set_coordinates

from geotools.engine.step import FileOut, LayerIn, Param, Step, StepContext, StepResult
from geotools.errors import StepError
from geotools.plan import cautions
from geotools.plan.schema import LAYERS, PROVENANCE, LayerSchema

FOLDER, KML_NAME = "geojson", "plan.kml"
_ID = "id"
_NOTE = (
    "Levels are left out: they stand in the fields, in metres above the site's own datum. Heads and cameras stand at "
    "their height above the viewer's ground. "
    f"{cautions.DETECTION} {cautions.SERVICES} {cautions.EXPOSURE} {cautions.SENSITIVE}"
)


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or (not isinstance(value, str) and pd.isna(value)):
        return None
    if isinstance(value, pd.Timestamp | date):
        return value.isoformat()[:10]
    return value.item() if hasattr(value, "item") else value


def _lonlat(frame: gpd.GeoDataFrame, heights: bool) -> gpd.GeoDataFrame:
    """The layer in longitude and latitude, with its own heights as they are where they are wanted."""
    shapes = frame.geometry.to_numpy()
    moved = frame.set_geometry(force_2d(shapes), crs=frame.crs).to_crs(4326)
    if heights and len(shapes) and has_z(shapes).all():
        z = get_coordinates(shapes, include_z=True)[:, 2]
        moved = moved.set_geometry(force_3d(moved.geometry.to_numpy(), 0.0), crs=4326)
        xyz = get_coordinates(moved.geometry.to_numpy(), include_z=True)
        xyz[:, 2] = z.round(4)
        moved = moved.set_geometry(set_coordinates(moved.geometry.to_numpy(), xyz), crs=4326)
    for name, column in moved.items():
        if pd.api.types.is_datetime64_any_dtype(column):
            moved[name] = column.dt.strftime("%Y-%m-%d").where(column.notna(), None)
    return moved


def _chosen(ctx: StepContext) -> list[LayerSchema]:
    """Layers that the plan holds and that were named; StepError where one is not there."""
    held = [s for s in LAYERS.values() if s.geometry is not None and ctx.workspace.has(s)]
    if not held:
        raise StepError("the plan holds no layer yet", where=ctx.workspace.plan, mend="run `geotools run` first")
    named = str(ctx.params["layers"]).replace(",", " ").split()
    missing = [name for name in named if name not in {s.name for s in held}]
    if missing:
        raise StepError(
            "the plan holds no such layer with places",
            where="parameter layers",
            found=", ".join(missing),
            expected=", ".join(s.name for s in held),
        )
    return [s for s in held if not named or s.name in named]


def run(ctx: StepContext) -> StepResult:
    """Write what the plan holds; see the manual beside this file."""
    # loads slowly, and every command would wait for it
    from geotools.steps.export.icons import ICON_FOLDER, icon_name, write_icon
    from geotools.steps.export.kml import KmlLayer, icons_of, kml_text

    wanted = ctx.params["format"]
    shapes = _chosen(ctx)
    row = ctx.workspace.read(PROVENANCE).iloc[0] if ctx.workspace.has(PROVENANCE) else {}
    datum = row.get("vertical_datum") or "not stated"
    files, layers = [], []
    for done, schema in enumerate(shapes):
        ctx.progress(done, len(shapes), schema.title)
        frame = _lonlat(ctx.read(schema), ctx.params["heights"])
        if wanted != "kml":
            name = f"{FOLDER}/{schema.name}.geojson"
            (ctx.scratch / FOLDER).mkdir(exist_ok=True)
            said = f"{schema.title}. {schema.description}"
            if frame.geometry.has_z.any():
                said += f" Heights are metres above the site's datum ({datum}), not above the ellipsoid."
            # the driver takes the column away that it writes as the features' own member
            pyogrio.write_dataframe(
                frame.assign(**{_ID: frame[schema.key]}) if schema.key else frame,
                ctx.scratch / name,
                driver="GeoJSON",
                RFC7946="YES",
                COORDINATE_PRECISION="8",
                DESCRIPTION=f"{said} {cautions.DETECTION} {cautions.SENSITIVE}",
                **({"ID_FIELD": _ID} if schema.key else {}),
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
        (ctx.scratch / ICON_FOLDER).mkdir()
        for style_id, symbol in (pair for layer in layers for pair in icons_of(layer.schema).items()):
            write_icon(ctx.scratch / icon_name(style_id), symbol)
            files.append(icon_name(style_id))
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
        Param("layers", "text", "Names of the layers to write, separated by commas; all of them if empty.", ""),
        Param(
            "heights",
            "flag",
            "Whether places in GeoJSON have the plan's own heights, metres above its datum; most readers take them "
            "for heights above the ellipsoid.",
            False,
        ),
    ),
    inputs=tuple(LayerIn(s, "exported", required=False) for s in LAYERS.values() if s.geometry is not None),
    files=(
        FileOut(f"{FOLDER}/", "data", "Each layer as GeoJSON (RFC 7946)."),
        FileOut(KML_NAME, "data", "All layers as one KML 2.2 document for a globe viewer, in the plan's colours."),
        FileOut("icons/", "picture", "Icons that the KML document shows."),
    ),
    uses_terrain=False,
    order=0,
    citations=("RFC 7946, The GeoJSON Format", "OGC KML 2.2 (07-147r2)"),
    cautions=(cautions.SENSITIVE, "Do not load the files into an online viewer."),
)
