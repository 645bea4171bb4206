"""Layers of a plan as one KML document: a folder each, in the plan's own colours, fields as extended data."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from fastkml import Data, ExtendedData
from fastkml.containers import Document, Folder
from fastkml.enums import AltitudeMode, Verbosity
from fastkml.features import Placemark
from fastkml.geometry import create_kml_geometry
from fastkml.kml import KML
from fastkml.links import Icon
from fastkml.styles import IconStyle, LabelStyle, LineStyle, PolyStyle, Style, StyleUrl
from shapely import Point, force_2d
from shapely.geometry.base import BaseGeometry

from geotools.plan.schema import LayerSchema, Symbol
from geotools.steps.export.icons import icon_name

__all__ = ["KmlLayer", "icons_of", "kml_text"]

#: Line width in pixels of a globe viewer for a millimetre on paper.
_PIXELS_PER_MM = 4.0


@dataclass(frozen=True)
class KmlLayer:
    """A layer to write: rows of field names to plain values, geometry in longitude and latitude (WGS 84)."""

    schema: LayerSchema
    rows: Sequence[tuple[dict[str, Any], BaseGeometry]]


def _colour(rgb: str, opacity: float = 1.0) -> str:
    """KML writes alpha, blue, green, red."""
    return f"{round(255 * opacity):02x}{rgb[5:7]}{rgb[3:5]}{rgb[1:3]}"


def _is_points(schema: LayerSchema) -> bool:
    return "Point" in (schema.geometry or "")


def icons_of(schema: LayerSchema) -> dict[str, Symbol]:
    """Symbols of a point layer by the identifier of their style; none for other layers."""
    if schema.style is None or not _is_points(schema):
        return {}
    own = {schema.name: schema.style.symbol}
    return own | {f"{schema.name}-{n}": c.symbol for n, c in enumerate(schema.style.categories, start=1)}


def _style(symbol: Symbol, name: str, icon: str | None) -> Style:
    fill = 0.0 if symbol.fill == "none" else (0.6 if symbol.fill == "solid" else 0.4) * symbol.opacity
    face = symbol.fill_colour or symbol.colour
    return Style(
        id=name,
        styles=[
            # an icon of its own comes in its colours; without one the viewer's is tinted
            IconStyle(
                color=_colour("#ffffff" if icon else face),
                scale=symbol.size / (6.0 if icon else 4.0),
                icon=Icon(href=icon) if icon else None,
            ),
            LabelStyle(scale=0.7),
            LineStyle(color=_colour(symbol.colour), width=max(symbol.width * _PIXELS_PER_MM, 1.0)),
            PolyStyle(color=_colour(face, fill)),
        ],
    )


def _styles(schema: LayerSchema) -> Iterable[tuple[str | None, Style]]:
    """Value of the style's field and what it is drawn in; None for every other value."""
    if schema.style is None:
        return
    icons = icons_of(schema)

    def made(symbol: Symbol, name: str) -> Style:
        return _style(symbol, name, icon_name(name) if name in icons else None)

    yield None, made(schema.style.symbol, schema.name)
    for number, category in enumerate(schema.style.categories, start=1):
        yield category.value, made(category.symbol, f"{schema.name}-{number}")


def _text(value: Any) -> str:
    if isinstance(value, float):
        # read by people: a millimetre, a thousandth
        return f"{round(value, 3) + 0.0:.12g}"
    return "" if value is None else str(value)


def _placemark(
    schema: LayerSchema, row: dict[str, Any], shape: BaseGeometry, style_ids: dict[str | None, str]
) -> Placemark:
    kind = row.get(schema.style.field) if schema.style is not None and schema.style.field else None
    url = style_ids.get(kind, style_ids.get(None))
    fields = [
        Data(name=f.name, value=_text(row[f.name]), display_name=f.alias) for f in schema if row.get(f.name) is not None
    ]
    return Placemark(
        name=_text(row.get(schema.key or "")),
        style_url=None if url is None else StyleUrl(url=f"#{url}"),
        extended_data=ExtendedData(elements=fields),
        kml_geometry=_placed(schema, row, shape),
    )


def _placed(schema: LayerSchema, row: dict[str, Any], shape: BaseGeometry) -> Any:
    """The shape on the viewer's ground; what has a height above its ground stands that high on a line.

    Levels are above the site's own datum, which a globe viewer does not know.
    """
    height = row.get("height_m") if _is_points(schema) else None
    if height is None:
        return create_kml_geometry(force_2d(shape))
    raised = Point(shape.x, shape.y, round(float(height), 3))
    return create_kml_geometry(raised, altitude_mode=AltitudeMode.relative_to_ground, extrude=True)


def kml_text(site: str, layers: Sequence[KmlLayer], note: str) -> str:
    """The whole document as text (OGC KML 2.2)."""
    styles: list[Style] = []
    folders = []
    for layer in layers:
        own = list(_styles(layer.schema))
        styles += [style for _, style in own]
        ids = {value: str(style.id) for value, style in own}
        folder = Folder(name=layer.schema.title, description=layer.schema.description)
        for row, shape in layer.rows:
            folder.append(_placemark(layer.schema, row, shape, ids))
        folders.append(folder)
    document = Document(name=site, description=note, styles=styles, features=folders)
    text = KML(features=[document]).to_string(prettyprint=True, verbosity=Verbosity.terse)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}'
