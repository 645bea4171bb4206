"""The command `geotools terrain`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geotools.cli.screen import Screen
from geotools.errors import InputError, OutputError

if TYPE_CHECKING:
    from geotools.terrain.dtm import Made
    from geotools.terrain.points import Survey

LIDAR = {".las", ".laz"}
TABLES = {".csv", ".txt"}
SURFACES = {".xml", ".landxml"}
VECTORS = {".gpkg", ".geojson", ".json", ".dxf", ".shp", ".fgb"}


def read_survey(
    path: Path, classes: tuple[int, ...], surface: str | None, layer: str | None, codes: Path | None = None
) -> Survey:
    """A survey file by its ending; ``codes`` : table of point codes, the toolkit's own if not given."""
    suffix = path.suffix.lower()
    if suffix in LIDAR:
        from geotools.terrain.lidar import read_lidar

        return read_lidar(path, classes)
    if suffix in SURFACES:
        from geotools.terrain.surface_files import read_surface

        return read_surface(path, surface)
    from geotools.terrain.measured import read_table, read_vector

    if suffix not in TABLES:
        return read_vector(path, layer)
    from geotools.terrain.point_codes import NOT_GROUND, read_codes

    return read_table(path, NOT_GROUND if codes is None else read_codes(codes))


def make_terrain(sources: tuple[Path, ...], out: Path, progress: Any, options: dict[str, Any]) -> Made:
    """Grid surveys or join rasters, whichever the files are."""
    from geotools.io.vectors import crs_from
    from geotools.terrain.points import Stated

    surveyed = [path for path in sources if path.suffix.lower() in LIDAR | TABLES | SURFACES | VECTORS]
    if surveyed and len(surveyed) != len(sources):
        raise InputError(
            "surveys and rasters cannot be gridded in one go",
            where=", ".join(map(str, sources)),
            mend="grid the surveys first, then join the result with the rasters",
        )
    stated = Stated(
        crs_from(options["crs"], "--crs") if options["crs"] else None,
        options["vertical_unit"],
        options["vertical_datum"],
    )
    if not surveyed:
        if options["accuracy"] is not None:
            raise InputError(
                "rasters that are joined keep what each says of itself",
                where="--accuracy",
                expected="--accuracy beside surveys alone",
                mend="state the accuracy as input.vertical_accuracy_m in the site file",
            )
        from geotools.terrain.seam import join_rasters

        return join_rasters(sources, out, cell_m=options["cell"], stated=stated, progress=progress)
    from geotools.terrain.dtm import grid_survey

    read = [
        (p, read_survey(p, options["classes"], options["surface"], options["layer"], options["codes"]))
        for p in surveyed
    ]
    for _, survey in read:
        survey.accuracy_m = options["accuracy"]
    cell_m = options["cell"] or 0.25
    return grid_survey(read, out, cell_m=cell_m, stated=stated, reach_m=options["reach"], progress=progress)


def told(made: Made) -> list[str]:
    """What was made, line by line."""
    share = f"{100 * made.known_share:.0f} %" if made.known_share >= 0.005 else "less than 1 %"
    lines = [f"{made.columns} x {made.rows} cells of {made.cell_m:g} m, {share} of them with a height"]
    if made.spacing_m:
        lines.append(f"  {made.points} ground points, {made.spacing_m:.2f} m apart on average")
    if made.quality is not None and made.quality.origin != "cell":
        lines.append(f"  shows dips from {made.quality.shortest_dip_m:.2g} m length; the raster's metadata say so")
    lines.append(f"  coordinate system: {made.crs}")
    datum = made.vertical_datum
    if datum == "not stated":
        datum += " (name it with --vertical-datum; heights of two surveys compare only on one datum)"
    lines.append(f"  heights: in metres; datum: {datum}")
    return lines + [f"  {text}" for text in made.notes]


@click.command()
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path), required=True, help="GeoTIFF to write, ending in .tif.")
@click.option(
    "--cell",
    type=click.FloatRange(0.02, 100),
    help="Cell size in metres, also where the map counts in feet. Default: 0.25 for a survey, the first raster's own "
    "for rasters.",
)
@click.option(
    "--reach",
    type=click.FloatRange(0.01, 1000),
    help="How far from the nearest ground point or breakline a height is believed, in metres; farther away there is no "
    "data. Default: four times the points' spacing, at most 5 m.",
)
@click.option("--crs", help="Coordinate system, such as EPSG:32632, where the files name none.")
@click.option(
    "--vertical-unit",
    type=click.Choice(["metre", "foot", "US survey foot"]),
    help="Unit of the heights in the files. Required where the map unit is feet and the files do not state it.",
)
@click.option(
    "--vertical-datum", help="What the heights stand on, such as 'NAVD88' or 'site datum', for the record; no change."
)
@click.option(
    "--accuracy",
    type=click.FloatRange(0, 10, min_open=True),
    help="Vertical accuracy of the survey, 95 %, in metres, as its supplier states it; kept in the raster's metadata.",
)
@click.option(
    "--class",
    "classes",
    multiple=True,
    type=click.IntRange(0, 255),
    default=(2,),
    show_default="2, ground",
    help="Class of the lidar points that are ground; may be given several times. Withheld points are never taken.",
)
@click.option(
    "--codes",
    type=click.Path(path_type=Path),
    help="CSV table of point codes, columns code, meaning, ground (yes or no), in place of the toolkit's own: points "
    "of a table whose column code names no ground, such as a water level or a base station, are left out.",
)
@click.option("--surface", help="Surface of a LandXML file that has several.")
@click.option("--layer", help="Layer of a vector file that has several.")
@click.option("--overwrite", is_flag=True, help="Replace the file if it is there.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors.")
@click.pass_context
def terrain(
    ctx: click.Context,
    sources: tuple[Path, ...],
    out: Path,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Make a terrain model from what a survey delivered.

    SOURCES are survey files, gridded together: lidar (LAS, LAZ), points (CSV with columns x, y, z), points and
    breaklines with heights (GeoPackage, DXF, GeoJSON, Shapefile); or one LandXML surface, whose own triangles are kept;
    or several rasters, joined, the most trusted first.

    Heights come out in metres. Lines are breaklines: edges of the triangles, with their own heights along them. Points
    too far apart to show a crawl gap, surveys that contradict each other and steps at seams are warned of, and
    stand in a report beside the file (same name, .json).
    """
    ctx.find_root().obj = {"json": as_json}
    screen = Screen(as_json, quiet)
    if out.suffix.lower() not in (".tif", ".tiff"):
        raise OutputError("the terrain model is written as GeoTIFF", where=out, expected="a name ending in .tif")
    if out.exists() and not overwrite:
        raise OutputError("there is a file already", where=out, mend="add --overwrite, or choose another name")
    if out.resolve() in {path.resolve() for path in sources}:
        raise OutputError("a source would be overwritten", where=out, mend="choose another name")
    made = make_terrain(sources, out, screen.progress, options)
    if as_json:
        screen.emit("terrain", **asdict(made))
        return
    if not quiet:
        for text in told(made):
            screen.say(text)
    for text in made.warnings:
        screen.warn(f"  warning: {text}")
    if not quiet:
        screen.say(f"Written: {out.resolve()}")
