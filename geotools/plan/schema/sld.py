"""A style as SLD 1.0 (OGC Styled Layer Descriptor), for map servers and programs that do not read QML."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement, tostring

from geotools.plan.schema.qml import kind_of
from geotools.plan.schema.style import Style, Symbol

_PIXELS_PER_MM = 3.5714  # SLD 1.0 counts in pixels of 0.28 mm (OGC 02-070, 11.4)
_WELL_KNOWN = {"circle": "circle", "square": "square", "triangle": "triangle", "diamond": "square", "cross": "cross"}
_DASHES = {"solid": "", "dash": "8 4", "dot": "2 3", "dash dot": "8 3 2 3"}


def _css(parent: Element, name: str, value: str) -> None:
    SubElement(parent, "CssParameter", {"name": name}).text = value


def _stroke(parent: Element, symbol: Symbol) -> None:
    stroke = SubElement(parent, "Stroke")
    _css(stroke, "stroke", symbol.colour)
    _css(stroke, "stroke-width", f"{symbol.width * _PIXELS_PER_MM:.2f}")
    if _DASHES[symbol.dash]:
        _css(stroke, "stroke-dasharray", _DASHES[symbol.dash])


def _fill(parent: Element, symbol: Symbol) -> None:
    fill = SubElement(parent, "Fill")
    _css(fill, "fill", symbol.fill_colour or symbol.colour)
    _css(fill, "fill-opacity", f"{symbol.opacity if symbol.fill == 'solid' else symbol.opacity / 2:.2f}")


def _symbolizer(rule: Element, kind: str, symbol: Symbol) -> None:
    if kind == "marker":
        graphic = SubElement(SubElement(rule, "PointSymbolizer"), "Graphic")
        mark = SubElement(graphic, "Mark")
        SubElement(mark, "WellKnownName").text = _WELL_KNOWN[symbol.marker]
        _fill(mark, symbol)
        _stroke(mark, symbol)
        SubElement(graphic, "Size").text = f"{symbol.size * _PIXELS_PER_MM:.2f}"
        if symbol.marker == "diamond":
            SubElement(graphic, "Rotation").text = "45"
    elif kind == "line":
        _stroke(SubElement(rule, "LineSymbolizer"), symbol)
    else:
        area = SubElement(rule, "PolygonSymbolizer")
        if symbol.fill != "none":
            _fill(area, symbol)
        _stroke(area, symbol)


def to_sld(style: Style, geometry: str, layer: str) -> str:
    """The style as an SLD 1.0 document for the named layer."""
    kind = kind_of(geometry)
    root = Element(
        "StyledLayerDescriptor",
        {
            "version": "1.0.0",
            "xmlns": "http://www.opengis.net/sld",
            "xmlns:ogc": "http://www.opengis.net/ogc",
        },
    )
    named = SubElement(root, "NamedLayer")
    SubElement(named, "Name").text = layer
    kind_style = SubElement(SubElement(named, "UserStyle"), "FeatureTypeStyle")
    if style.field and style.categories:
        for category in style.categories:
            rule = SubElement(kind_style, "Rule")
            SubElement(rule, "Title").text = category.label
            equal = SubElement(SubElement(rule, "ogc:Filter"), "ogc:PropertyIsEqualTo")
            SubElement(equal, "ogc:PropertyName").text = style.field
            SubElement(equal, "ogc:Literal").text = category.value
            _symbolizer(rule, kind, category.symbol)
    else:
        _symbolizer(SubElement(kind_style, "Rule"), kind, style.symbol)
    if style.label_field:
        text = SubElement(SubElement(kind_style, "Rule"), "TextSymbolizer")
        SubElement(SubElement(text, "Label"), "ogc:PropertyName").text = style.label_field
        font = SubElement(text, "Font")
        _css(font, "font-size", f"{style.label_size}")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tostring(root, encoding="unicode")
