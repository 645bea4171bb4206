"""Where the site's fence lines and terrain are, and what the files do not say of themselves."""

from __future__ import annotations

from typing import Literal

from geotools.site.base import CHOICE, SiteSection, setting
from geotools.site.catalogue import COMMON

VerticalUnit = Literal["metre", "foot", "US survey foot"]


class Inputs(SiteSection):
    """Files and what they leave unsaid; relative paths count from the site file's folder."""

    fence: str = setting(
        "file with the fence as lines, or as areas whose outlines it follows: GeoPackage, Shapefile, GeoJSON, DXF, "
        "KML, or a CSV table with a column wkt, or with points in order in columns x and y (or lon and lat); optional "
        "columns fence and height_m"
    )
    fence_layer: str | None = setting(
        "layer of that file, where it has several; in a DXF drawing, the layer the fence is drawn on", default=None
    )
    fence_crs: str | None = setting(
        "coordinate system of the fence file where it names none (DXF never does)", default=None
    )
    terrain: str = setting("raster with the ground's height")
    terrain_band: int = setting("band of that raster", mark=CHOICE, default=1, ge=1, le=100)
    terrain_crs: str | None = setting("coordinate system of the raster where it names none", default=None)
    vertical_unit: VerticalUnit | None = setting(
        "unit of the raster's heights where the file does not say it", default=None
    )
    vertical_datum: str | None = setting("datum of the heights, for the record", default=None)
    vertical_accuracy_m: float | None = setting(
        "vertical accuracy of the terrain model, 95 %, as its supplier states it", unit="m", default=None, gt=0, le=10
    )
    levels: str | None = setting(
        "CSV file of levels measured again on the bare ground, such as those of the layer resurvey: columns x, y, z; "
        "plan coordinates, heights in metres, terrain's datum. The model is corrected about them, and as good there",
        default=None,
    )
    levels_accuracy_m: float = setting(
        "vertical accuracy of those levels, 95 %", unit="m", mark=COMMON, default=0.02, gt=0, le=1
    )
    resolution_m: float | None = setting(
        "distance between heights that were surveyed independently, as the supplier states it: the cell of the model "
        "before any resampling, or one and a half times the spacing of the points; where it is not given, the raster's "
        "metadata or its heights tell it",
        unit="m",
        default=None,
        gt=0,
        le=1000,
    )
    works: str | None = setting(
        "raster of the change of level, metres, fill positive, that the terrain model holds already though nobody has "
        "built and measured it yet (`geotools apply` writes it): levels there are known to grading.build_tolerance_m "
        "and grading.settlement_m, not to the survey's accuracy",
        default=None,
    )
    waterways: str | None = setting(
        "vector file of points, inlet and outlet of each way for water through works that the terrain model holds "
        "already (`geotools apply` writes it): columns `way`, `end` (inlet or outlet) and `level_m`; kept open where "
        "water is looked for",
        default=None,
    )
    plan_crs: str | None = setting(
        "projected coordinate system of the plan, where fence and terrain are geographic", default=None
    )
    keep_outs: str | None = setting(
        "vector file with what no beam may touch, or no post (field kind: road, drain, no posts): buildings, tanks, "
        "trees, roads, drains, inner fences; points, lines or areas; field name is used in messages",
        default=None,
    )
    keep_outs_layer: str | None = setting("layer of that file, where it has several", default=None)
    keep_outs_crs: str | None = setting("coordinate system of that file where it names none", default=None)
    movers: str | None = setting(
        "vector file of where something moves that is no threat: roads, paths, trees, animal tracks, neighbours' "
        "ground; points, lines or areas; field mover names what moves there, several with commas; field name is used "
        "in messages, field width_m is the width of a line",
        default=None,
    )
    movers_layer: str | None = setting("layer of that file, where it has several", default=None)
    movers_crs: str | None = setting("coordinate system of that file where it names none", default=None)
    gates: str | None = setting(
        "vector file with the gates, each across its opening or, with a field width_m, as a point; each gets a zone of "
        "its own; field swing_m says how far its leaves reach when open, swing_side whether inside, outside or both",
        default=None,
    )
    gates_layer: str | None = setting("layer of that file, where it has several", default=None)
    gates_crs: str | None = setting("coordinate system of that file where it names none", default=None)
