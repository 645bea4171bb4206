"""The project's XML: layers with their styles, tips and scales, the tree of groups, the order of drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element, ParseError, SubElement, fromstring, tostring

from pyproj import CRS

from geotools.io.crs import authority
from geotools.plan.project.layout import add_layout
from geotools.plan.project.relations import add_relations
from geotools.plan.project.tree import Ramp
from geotools.plan.schema import LayerSchema
from geotools.plan.schema.form import add_form, add_reference

__all__ = ["MapLayer", "Shown", "project_xml"]

_TIP_FIELDS = 10
_VERSION = "3.22.0"


@dataclass(frozen=True)
class Shown:
    """What every layer of the map has, vector or raster: identifier, title, relative source, on or off, scale, order.

    ``order`` : drawn in rising order, the last on top.
    """

    id: str
    title: str
    source: str
    on: bool
    scale: int
    order: tuple[float, ...]


@dataclass(frozen=True)
class MapLayer:
    """A layer of the map and how it is drawn.

    Attributes
    ----------
    shown : Shown
    schema : LayerSchema, optional
        Of a vector layer or table.
    style : str, optional
        QML of a vector layer.
    band : int
        Of a raster, from 1.
    ramp : Ramp, optional
        Of a raster; None shades the ground.
    provider : str
        By which the GIS opens a vector layer.
    references : tuple of (str, str)
        Fields through which a row of another layer is chosen, with the relation.
    """

    shown: Shown
    schema: LayerSchema | None = None
    style: str | None = None
    band: int = 0
    ramp: Ramp | None = None
    provider: str = "ogr"
    references: tuple[tuple[str, str], ...] = ()


def _system(parent: Element, crs: CRS | None) -> None:
    node = SubElement(parent, "spatialrefsys")
    if crs is None:
        return
    SubElement(node, "wkt").text = crs.to_wkt("WKT2_2019")
    known = authority(crs, min_confidence=100)
    SubElement(node, "authid").text = ":".join(known) if known else ""
    SubElement(node, "description").text = crs.name
    SubElement(node, "geographicflag").text = "false"


def map_tip(schema: LayerSchema) -> str:
    """HTML shown where the pointer rests on a feature: the layer's title, then each filled field with its unit."""
    lines = []
    for field in schema.fields[:_TIP_FIELDS]:
        alias = field.alias.replace("'", "''")
        value = f'round("{field.name}", 3)' if field.type == "real" else f'"{field.name}"'
        lines.append(f"[% coalesce('<br>{alias}: ' || {value}, '') %]")
    return f"<b>{schema.title}</b>" + "".join(lines)


def _vector(node: Element, layer: MapLayer, schema: LayerSchema) -> None:
    geometry = schema.geometry
    if geometry is None:
        node.set("geometry", "No geometry")
    else:
        node.set("geometry", "Point" if "Point" in geometry else "Line" if "Line" in geometry else "Polygon")
    SubElement(node, "provider", {"encoding": "UTF-8"}).text = layer.provider
    try:
        styled = fromstring(layer.style) if layer.style else None
    except ParseError:
        styled = None  # a style of somebody else's that is no XML: the GIS draws it in its own way
    if styled is not None:
        node.set("labelsEnabled", styled.get("labelsEnabled", "0"))
        node.extend(part for part in styled if part.tag not in ("mapTip", "provider", "srs", "datasource", "id"))
    if not layer.style:
        add_form(node, schema.fields, schema.key)
    for field, relation in layer.references:
        add_reference(node, field, relation)
    SubElement(node, "mapTip").text = map_tip(schema)


def _ramp(renderer: Element, ramp: Ramp) -> None:
    shader = SubElement(SubElement(renderer, "rastershader"), "colorrampshader")
    low, high = ramp.stops[0][0], ramp.stops[-1][0]
    shader.attrib |= {
        "colorRampType": "DISCRETE" if ramp.stepped else "INTERPOLATED",
        "classificationMode": "1",
        "clip": "0",
        "minimumValue": f"{low:g}",
        "maximumValue": f"{high:g}",
    }
    for value, colour, opacity, legend in ramp.stops:
        SubElement(
            shader,
            "item",
            {"value": f"{value:g}", "color": colour, "alpha": f"{round(255 * opacity)}", "label": legend},
        )


def _raster(node: Element, layer: MapLayer) -> None:
    SubElement(node, "provider").text = "gdal"
    pipe = SubElement(node, "pipe")
    renderer = SubElement(
        pipe, "rasterrenderer", {"band": str(layer.band), "opacity": "1", "alphaBand": "-1", "nodataColor": ""}
    )
    if layer.ramp is None:
        renderer.attrib |= {
            "type": "hillshade",
            "azimuth": "315",
            "angle": "45",
            "zfactor": "3",
            "multidirection": "0",
            "opacity": "0.6",
        }
        return
    renderer.set("type", "singlebandpseudocolor")
    renderer.attrib |= {"classificationMin": f"{layer.ramp.stops[0][0]:g}"}
    renderer.attrib |= {"classificationMax": f"{layer.ramp.stops[-1][0]:g}"}
    _ramp(renderer, layer.ramp)


def _map_layer(parent: Element, layer: MapLayer, crs: CRS) -> None:
    shown = layer.shown
    node = SubElement(
        parent,
        "maplayer",
        {
            "type": "vector" if layer.schema else "raster",
            "hasScaleBasedVisibilityFlag": "1" if shown.scale else "0",
            "minScale": str(shown.scale or 100_000_000),
            "maxScale": "0",
            "styleCategories": "AllStyleCategories",
        },
    )
    SubElement(node, "id").text = shown.id
    SubElement(node, "datasource").text = shown.source
    SubElement(node, "layername").text = shown.title
    _system(SubElement(node, "srs"), crs if layer.schema is None or layer.schema.geometry else None)
    if layer.schema:
        described = SubElement(node, "resourceMetadata")
        SubElement(described, "title").text = layer.schema.title
        SubElement(described, "abstract").text = layer.schema.description
        _vector(node, layer, layer.schema)
    else:
        _raster(node, layer)


def _tree(root: Element, groups: Sequence[tuple[str, Sequence[MapLayer]]]) -> None:
    tree = SubElement(root, "layer-tree-group")
    for name, layers in groups:
        group = SubElement(
            tree,
            "layer-tree-group",
            {
                "name": name,
                "checked": "Qt::Checked",
                "expanded": "1" if any(layer.shown.on for layer in layers) else "0",
            },
        )
        for layer in layers:
            SubElement(
                group,
                "layer-tree-layer",
                {
                    "id": layer.shown.id,
                    "name": layer.shown.title,
                    "source": layer.shown.source,
                    "providerKey": layer.provider if layer.schema else "gdal",
                    "checked": "Qt::Checked" if layer.shown.on else "Qt::Unchecked",
                    "expanded": "1" if layer.shown.on else "0",
                },
            )
    order = SubElement(tree, "custom-order", {"enabled": "1"})
    every = [layer.shown for _, layers in groups for layer in layers]
    for shown in sorted(every, key=lambda shown: shown.order, reverse=True):
        SubElement(order, "item").text = shown.id


def _view(root: Element, crs: CRS, extent: tuple[float, float, float, float]) -> None:
    ends = dict(zip(("xmin", "ymin", "xmax", "ymax"), (repr(end) for end in extent), strict=True))
    canvas = SubElement(root, "mapcanvas", {"name": "theMapCanvas", "annotationsVisible": "1"})
    box = SubElement(canvas, "extent")
    for name, value in ends.items():
        SubElement(box, name).text = value
    _system(SubElement(canvas, "destinationsrs"), crs)
    view = SubElement(root, "ProjectViewSettings", {"UseProjectScales": "0"})
    _system(SubElement(view, "DefaultViewExtent", ends), crs)


def project_xml(
    title: str,
    crs: CRS,
    groups: Sequence[tuple[str, Sequence[MapLayer]]],
    extent: tuple[float, float, float, float] | None,
) -> bytes:
    """The project as XML; the same bytes for the same layers.

    Parameters
    ----------
    title : str
        Shown in the window's title.
    crs : CRS
        Of the map and of every layer, horizontal.
    groups : sequence of (str, sequence of MapLayer)
        Headings from the top, each with its layers from the top.
    extent : (x, y, x, y) in map units, optional
        What the map shows at first.
    """
    root = Element("qgis", {"version": _VERSION, "projectname": title})
    SubElement(root, "title").text = title
    _system(SubElement(root, "projectCrs"), crs)
    _tree(root, groups)
    if extent:
        _view(root, crs, extent)
    held = SubElement(root, "projectlayers")
    for _, layers in groups:
        for layer in layers:
            _map_layer(held, layer, crs)
    add_relations(root, {layer.schema.name: layer.shown.id for _, layers in groups for layer in layers if layer.schema})
    if extent:
        shown = {"" if layer.schema is None else layer.schema.name for _, layers in groups for layer in layers}
        add_layout(root, crs, extent, title, sensitive=shown != {"fence"})
    properties = SubElement(root, "properties")
    # saved by the GIS, sources stay relative, so that the folder can be moved
    SubElement(SubElement(properties, "Paths"), "Absolute", {"type": "bool"}).text = "false"
    # without it the GIS leaves the map without a system, and takes its units for degrees
    SubElement(SubElement(properties, "SpatialRefSys"), "ProjectionsEnabled", {"type": "int"}).text = "1"
    return b"<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n" + tostring(root, encoding="utf-8")
