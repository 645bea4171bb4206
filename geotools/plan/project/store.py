"""The project in the plan's table `qgis_projects`: made from what the plan holds, kept where a person changed it."""

from __future__ import annotations

import hashlib
import io
import json
import sqlite3
import zipfile
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path

import rasterio
from pyproj import CRS
from rasterio.errors import RasterioError

from geotools.io.rasters import safe_gdal
from geotools.plan.project.related import own_style, related
from geotools.plan.project.tree import GROUPS, OTHER, RasterEntry, VectorEntry
from geotools.plan.project.xml import MapLayer, Shown, project_xml
from geotools.plan.schema import LAYERS, LayerSchema

__all__ = ["PROJECT_NAME", "write_project"]

PROJECT_NAME = "plan"
_TABLE = "CREATE TABLE IF NOT EXISTS qgis_projects (name TEXT PRIMARY KEY, metadata BLOB, content BLOB)"
#: A plan made again from the same input holds the same bytes.
_FIXED = (2000, 1, 1, 0, 0, 0)
_FIXED_TEXT = "2000-01-01T00:00:00"
#: How much ground is shown around the fence, as a share of its extent.
_MARGIN = 0.08
_GEOMETRY_ORDER = {"Point": 3.0, "Line": 2.0, "Polygon": 1.0}


def write_project(
    built: Path,
    crs: CRS,
    title: str,
    rasters: Iterable[Path],
    others: Mapping[str, LayerSchema] | None = None,
    *,
    name: str = "plan.gpkg",
) -> bool:
    """Write the project into a plan that is being made.

    Parameters
    ----------
    built : Path
        The GeoPackage; not yet in its place.
    crs : CRS
        The plan's own system.
    title : str
        Name of the site.
    rasters : iterable of Path
        The rasters that will stand beside the plan, wherever they are now; those of unknown names are left out.
    others : mapping of str to LayerSchema, optional
        Declared layers of plug-in steps; one of the toolkit's own stands for it, with the fields it has here.
    name : str
        What the file will be called.

    Returns
    -------
    bool
        False where a person has saved a project of that name: theirs stays.

    Raises
    ------
    sqlite3.Error
        Where the file cannot be written.
    """
    with closing(sqlite3.connect(built)) as db, db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute(_TABLE)
        held = db.execute("SELECT metadata, content FROM qgis_projects WHERE name = ?", (PROJECT_NAME,)).fetchone()
        if held is not None and not _is_ours(*held):
            return False
        flat = crs.to_2d()
        groups = _groups(db, {**LAYERS, **(others or {})}, {path.name: path for path in rasters}, name)
        groups = related(groups, flat)
        content = _packed(project_xml(title, flat, groups, _extent(db)))
        metadata = json.dumps({"last_modified_time": _FIXED_TEXT, "last_modified_user": _mark(content)})
        db.execute("INSERT OR REPLACE INTO qgis_projects VALUES (?, ?, ?)", (PROJECT_NAME, metadata, content))
    return True


def _mark(content: str) -> str:
    """Who wrote the project, and that nobody has changed it since."""
    return f"geotools {hashlib.sha256(content.encode()).hexdigest()[:12]}"


def _is_ours(metadata: object, content: object) -> bool:
    texts = [part.decode("utf-8", "replace") if isinstance(part, bytes) else str(part) for part in (metadata, content)]
    try:
        said = json.loads(texts[0])
    except ValueError:
        return False
    return isinstance(said, dict) and said.get("last_modified_user") == _mark(texts[1])


def _packed(xml: bytes) -> str:
    """A zip as the GIS wants it, as hexadecimal text."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(zipfile.ZipInfo(f"{PROJECT_NAME}.qgs", _FIXED), xml, zipfile.ZIP_DEFLATED, 9)
    return packed.getvalue().hex()


def _extent(db: sqlite3.Connection) -> tuple[float, float, float, float] | None:
    found = db.execute(
        "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name IN ('zones', 'fence') "
        "AND min_x IS NOT NULL ORDER BY table_name DESC"
    ).fetchone()
    if found is None:
        return None
    margin = _MARGIN * max(found[2] - found[0], found[3] - found[1], 1.0)
    return found[0] - margin, found[1] - margin, found[2] + margin, found[3] + margin


def _groups(
    db: sqlite3.Connection, schemas: Mapping[str, LayerSchema], rasters: Mapping[str, Path], file: str
) -> list[tuple[str, list[MapLayer]]]:
    held = {str(name) for (name,) in db.execute("SELECT table_name FROM gpkg_contents")}
    groups: list[tuple[str, list[MapLayer]]] = []
    placed: set[str] = set()
    for group in GROUPS:
        layers: list[MapLayer] = []
        for entry in group.entries:
            if isinstance(entry, RasterEntry):
                layers += _raster_layers(entry, rasters)
            else:
                placed.add(entry.layer)
                layers += _vector_layers(db, entry, schemas[entry.layer], file) if entry.layer in held else []
        first = group.entries[0]
        named = not isinstance(first, VectorEntry) or first.layer in held
        groups.append((group.name if named else group.plain or group.name, layers))
    rest = sorted(held & set(schemas) - placed)
    groups.append(
        (OTHER, [layer for name in rest for layer in _vector_layers(db, VectorEntry(name), schemas[name], file)])
    )
    return [(name, layers) for name, layers in groups if layers]


def _default_style(db: sqlite3.Connection, schema: LayerSchema) -> str | None:
    """The style in which the layer opens alone: a person's own where there is one."""
    found = db.execute(
        "SELECT styleQML FROM layer_styles WHERE f_table_name = ? AND useAsDefault ORDER BY id", (schema.name,)
    ).fetchone()
    if found and found[0]:
        return str(found[0])
    return own_style(schema)


def _vector_layers(db: sqlite3.Connection, entry: VectorEntry, schema: LayerSchema, file: str) -> list[MapLayer]:
    style = _default_style(db, schema)
    kind = next((rank for word, rank in _GEOMETRY_ORDER.items() if word in (schema.geometry or "")), 0.0)

    def layer(number: int, part: str, title: str, on: bool) -> MapLayer:
        subset = ""
        if part:
            quoted = part.replace("'", "''")
            subset = f"|subset=\"threat\" = '{quoted}'"
        code = hashlib.sha256(f"{schema.name}|{part}".encode()).hexdigest()[:12]
        source = f"./{file}|layername={schema.name}{subset}"
        shown = Shown(f"{schema.name}_{code}", title, source, on, entry.scale, (entry.top, kind, -float(number)))
        return MapLayer(shown, schema, style)

    if not entry.by_threat or "threat" not in schema.field_names:
        return [layer(0, "", schema.title, entry.shown)]
    threats = _threats(db, schema.name)
    if not threats:
        return [layer(0, "", schema.title, entry.shown)]
    # what is made of all threats says it for all; each alone is there to be switched on
    single = "all" in threats
    return [
        layer(
            n,
            threat,
            f"{schema.title}: {threat if threat != 'all' else 'worst of all threats'}",
            entry.shown and (not single or threat == "all"),
        )
        for n, threat in enumerate(threats)
    ]


def _threats(db: sqlite3.Connection, layer: str) -> list[str]:
    """Threats of a layer, from the one that must lie on top: all of them together, then the rarest undetected.

    A threat that seldom gets through is the one most easily detected, so that a place where even it does is the worst.
    """
    found = db.execute(f'SELECT threat, count(*) FROM "{layer}" WHERE threat IS NOT NULL GROUP BY threat').fetchall()
    return [str(t) for t, n in sorted(found, key=lambda row: (row[0] != "all", row[1], row[0]))]


def _raster_layers(entry: RasterEntry, rasters: Mapping[str, Path]) -> list[MapLayer]:
    path = rasters.get(entry.file)
    if path is None:
        return []
    try:
        with safe_gdal(), rasterio.open(path) as raster:
            words = [text or f"band {n + 1}" for n, text in enumerate(raster.descriptions)]
    except (RasterioError, OSError):
        return []  # a file of somebody else's under the name of ours; the steps that read it say so
    layers = []
    # the GIS takes an identifier for one only where it has more than ten characters
    for n in range(1, (entry.bands or len(words)) + 1):
        title = entry.title if entry.bands == 1 else f"{entry.title}: {words[n - 1].split(': ')[-1]}"
        shown = Shown(
            f"raster_{Path(entry.file).stem}_{n}",
            title,
            f"./{entry.file}",
            entry.shown and n == 1,
            0,
            (-10.0 if entry.ramp is None else -9.0, 0.0, -float(n)),
        )
        layers.append(MapLayer(shown, band=n, ramp=entry.ramp))
    return layers
