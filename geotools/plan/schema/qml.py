"""A style as QML, the layer-style XML that desktop GIS programs read from a GeoPackage's `layer_styles` table."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

from geotools.plan.schema.core import Field
from geotools.plan.schema.form import add_form
from geotools.plan.schema.style import Style, Symbol

_DASH = {"solid": "solid", "dash": "dash", "dot": "dot", "dash dot": "dash dot"}
_MARKER = {
    "circle": "circle",
    "square": "square",
    "triangle": "triangle",
    "diamond": "diamond",
    "cross": "cross_fill",
}
_FILL = {"solid": "solid", "hatch": "b_diagonal", "cross hatch": "diagonal_x", "none": "no"}


def kind_of(geometry: str) -> str:
    """``marker``, ``line`` or ``fill`` for a geometry type's name."""
    if "Point" in geometry:
        return "marker"
    return "line" if "Line" in geometry else "fill"


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _properties(kind: str, symbol: Symbol) -> tuple[str, dict[str, str]]:
    if kind == "marker":
        return "SimpleMarker", {
            "name": _MARKER[symbol.marker],
            "color": _rgba(symbol.fill_colour or symbol.colour, symbol.opacity),
            "outline_color": _rgba(symbol.colour),
            "outline_width": f"{symbol.width}",
            "outline_width_unit": "MM",
            "size": f"{symbol.size}",
            "size_unit": "MM",
        }
    if kind == "line":
        return "SimpleLine", {
            "line_color": _rgba(symbol.colour, symbol.opacity),
            "line_width": f"{symbol.width}",
            "line_width_unit": "MM",
            "line_style": _DASH[symbol.dash],
            "capstyle": "flat",
            "joinstyle": "bevel",
        }
    return "SimpleFill", {
        "color": _rgba(symbol.fill_colour or symbol.colour, symbol.opacity),
        "style": _FILL[symbol.fill],
        "outline_color": _rgba(symbol.colour),
        "outline_width": f"{symbol.width}",
        "outline_width_unit": "MM",
        "outline_style": _DASH[symbol.dash],
    }


def _add_symbol(parent: Element, kind: str, name: str, symbol: Symbol) -> None:
    node = SubElement(parent, "symbol", {"type": kind, "name": name, "alpha": "1", "clip_to_extent": "1"})
    layer_class, properties = _properties(kind, symbol)
    layer = SubElement(node, "layer", {"class": layer_class, "enabled": "1", "locked": "0", "pass": "0"})
    options = SubElement(layer, "Option", {"type": "Map"})
    for key, value in properties.items():
        SubElement(options, "Option", {"name": key, "value": value, "type": "QString"})
        SubElement(layer, "prop", {"k": key, "v": value})


def _add_labels(root: Element, style: Style) -> None:
    labeling = SubElement(root, "labeling", {"type": "simple"})
    settings = SubElement(labeling, "settings", {"calloutType": "simple"})
    text = SubElement(
        settings,
        "text-style",
        {
            "fieldName": style.label_field or "",
            "isExpression": "0",
            "fontSize": f"{style.label_size}",
            "fontSizeUnit": "Point",
            "fontFamily": "Sans",
            "textColor": "0,0,0,255",
            "textOpacity": "1",
        },
    )
    SubElement(
        text,
        "text-buffer",
        {"bufferDraw": "1", "bufferSize": "0.8", "bufferSizeUnits": "MM", "bufferColor": "255,255,255,255"},
    )


def to_qml(style: Style, geometry: str, fields: Sequence[Field] = (), key: str | None = None) -> str:
    """The style as QML text for a layer of that geometry type; ``fields`` make its form, with ``key`` unique in it."""
    kind = kind_of(geometry)
    parts = ["Symbology"] + (["Labeling"] if style.label_field else []) + (["Fields", "Forms"] if fields else [])
    categories = "|".join(parts)
    root = Element(
        "qgis",
        {"version": "3.22", "styleCategories": categories, "labelsEnabled": "1" if style.label_field else "0"},
    )
    if style.field and style.categories:
        renderer = SubElement(
            root, "renderer-v2", {"type": "categorizedSymbol", "attr": style.field, "symbollevels": "0"}
        )
        listed = SubElement(renderer, "categories")
        symbols = SubElement(renderer, "symbols")
        drawn = [(c.value, c.label, c.symbol) for c in style.categories] + [("", style.other, style.symbol)]
        for number, (value, label, symbol) in enumerate(drawn):
            SubElement(
                listed,
                "category",
                {"value": value, "symbol": str(number), "label": label, "render": "true", "type": "string"},
            )
            _add_symbol(symbols, kind, str(number), symbol)
    else:
        renderer = SubElement(root, "renderer-v2", {"type": "singleSymbol", "symbollevels": "0"})
        _add_symbol(SubElement(renderer, "symbols"), kind, "0", style.symbol)
    if fields:
        add_form(root, fields, key)
    if style.label_field:
        _add_labels(root, style)
    return tostring(root, encoding="unicode")
