"""The map on paper: an A3 layout of the project with legend, scale bar and title, for printing in the GIS."""

from __future__ import annotations

import uuid
from xml.etree.ElementTree import Element, SubElement

from pyproj import CRS

from geotools.io.crs import metres_per_unit
from geotools.io.scales import largest_round, scale_for
from geotools.plan.cautions import SENSITIVE

__all__ = ["LAYOUT_NAME", "add_layout"]

LAYOUT_NAME = "Plan, A3"
#: Numbers by which the GIS knows kinds of items (QgsLayoutItemRegistry::ItemType, from 65638 on).
_PAGE, _MAP, _LABEL, _LEGEND, _SCALE_BAR = 65638, 65639, 65641, 65642, 65646
_SIZE = (420.0, 297.0)
_MAP_BOX = (10.0, 10.0, 310.0, 277.0)
_LEFT, _WIDE = 326.0, 84.0
_SCALE_BAR_MM = 40.0


def add_layout(
    root: Element, crs: CRS, extent: tuple[float, float, float, float], title: str, *, sensitive: bool = True
) -> None:
    """Put the layout into a project.

    Parameters
    ----------
    root : Element
        The project.
    crs : CRS
        Of the map.
    extent : (x, y, x, y)
        What must be on it, map units; it is drawn at the largest round scale at which it fits.
    title : str
        Of the sheet.
    sensitive : bool
        Whether the sheet shows more than the fence, and says so.
    """
    layout = SubElement(
        SubElement(root, "Layouts"),
        "Layout",
        {"name": LAYOUT_NAME, "units": "mm", "printResolution": "300", "worldFileMap": _id("map")},
    )
    SubElement(layout, "Snapper", {"snapToGuides": "1", "snapToGrid": "0", "snapToItems": "1", "tolerance": "5"})
    SubElement(layout, "Grid", {"resolution": "10", "resUnits": "mm", "offsetX": "0", "offsetY": "0"})
    pages = SubElement(layout, "PageCollection")
    _item(pages, _PAGE, "page", (0.0, 0.0, *_SIZE), background=True)
    scale, view = _view(crs, extent)
    held = _item(layout, _MAP, "map", _MAP_BOX, background=True, frame=True, drawCanvasItems="true")
    SubElement(held, "Extent", dict(zip(("xmin", "ymin", "xmax", "ymax"), map(repr, view), strict=True)))
    _label(layout, "title", (_LEFT, 10.0, _WIDE, 16.0), title, 14)
    words = [f"Scale 1:{scale:,.0f}".replace(",", " "), crs.name, *([SENSITIVE] if sensitive else [])]
    _label(layout, "notes", (_LEFT, 262.0, _WIDE, 25.0), "\n".join(words), 8)
    _legend(layout)
    _scale_bar(layout, scale)


def _id(name: str) -> str:
    """An identifier that is the same run after run."""
    return "{" + str(uuid.uuid5(uuid.NAMESPACE_URL, f"geotools-perimeter/layout/{name}")) + "}"


def _view(crs: CRS, extent: tuple[float, float, float, float]) -> tuple[float, tuple[float, float, float, float]]:
    """Scale, and the ground that fills the map item at it."""
    unit = metres_per_unit(crs)
    across, upright = (extent[2] - extent[0]) * unit, (extent[3] - extent[1]) * unit
    scale = max(scale_for(across, _MAP_BOX[2]), scale_for(upright, _MAP_BOX[3]))
    half = [size * scale / 2000.0 / unit for size in _MAP_BOX[2:]]
    middle = (extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2
    return scale, (middle[0] - half[0], middle[1] - half[1], middle[0] + half[0], middle[1] + half[1])


def _item(
    parent: Element,
    kind: int,
    name: str,
    box: tuple[float, float, float, float],
    *,
    background: bool = False,
    frame: bool = False,
    **more: str,
) -> Element:
    left, top, wide, tall = box
    node = SubElement(
        parent,
        "LayoutItem",
        {
            "type": str(kind),
            "id": name,
            "uuid": _id(name),
            "templateUuid": _id(name),
            "position": f"{left:g},{top:g},mm",
            "positionOnPage": f"{left:g},{top:g},mm",
            "size": f"{wide:g},{tall:g},mm",
            "referencePoint": "0",
            "background": "true" if background else "false",
            "frame": "true" if frame else "false",
            "outlineWidthM": "0.3,mm",
            "visibility": "1",
            "opacity": "1",
            "zValue": "0" if kind == _PAGE else "1" if kind == _MAP else "2",
            **more,
        },
    )
    SubElement(node, "FrameColor", {"red": "0", "green": "0", "blue": "0", "alpha": "255"})
    SubElement(node, "BackgroundColor", {"red": "255", "green": "255", "blue": "255", "alpha": "255"})
    return node


def _font(size: float) -> dict[str, str]:
    return {"description": f"Sans,{size:g},-1,5,50,0,0,0,0,0", "style": ""}


def _label(layout: Element, name: str, box: tuple[float, float, float, float], text: str, size: float) -> None:
    # an expression in a name would be evaluated: what opens one is taken apart
    plain = text.replace("[%", "[ %")
    node = _item(layout, _LABEL, name, box, labelText=plain, htmlState="0", halign="1", valign="32")
    SubElement(node, "LabelFont", _font(size))
    SubElement(node, "FontColor", {"red": "0", "green": "0", "blue": "0", "alpha": "255"})


def _legend(layout: Element) -> None:
    """What is to be seen on the map, as it is switched on there."""
    node = _item(
        layout,
        _LEGEND,
        "legend",
        (_LEFT, 28.0, _WIDE, 200.0),
        background=True,
        map_uuid=_id("map"),
        legendFilterByMap="1",
        resizeToContents="1",
        symbolWidth="7",
        symbolHeight="4",
        columnCount="1",
        fontColor="#000000",
    )
    styles = SubElement(node, "styles")
    for name, size in (("title", 11.0), ("group", 9.0), ("subgroup", 8.0), ("symbolLabel", 7.0)):
        margins = {"marginTop": "1.5", "marginLeft": "2" if name == "symbolLabel" else "0"}
        style = SubElement(styles, "style", {"name": name, "alignment": "1", "indent": "0", **margins})
        SubElement(style, "styleFont", _font(size))


def _scale_bar(layout: Element, scale: float) -> None:
    length = largest_round(_SCALE_BAR_MM * scale / 1000.0)
    node = _item(
        layout,
        _SCALE_BAR,
        "scale bar",
        (_LEFT, 244.0, _WIDE, 14.0),
        mapUuid=_id("map"),
        style="Single Box",
        unitType="meters",
        unitLabel="m",
        numMapUnitsPerScaleBarUnit="1",
        numSegments="2",
        numSegmentsLeft="0",
        numUnitsPerSegment=f"{length / 2:g}",
        segmentMillimeters=f"{length / 2 * 1000.0 / scale:g}",
        segmentSizeMode="0",
        minBarWidth="20",
        maxBarWidth="80",
        height="2",
        labelBarSpace="2",
        boxContentSpace="1",
        outlineWidth="0.3",
        alignment="0",
    )
    style = {
        "fontFamily": "Sans",
        "fontSize": "8",
        "fontSizeUnit": "Point",
        "textColor": "0,0,0,255",
        "textOpacity": "1",
    }
    SubElement(node, "text-style", style)
    for name, level in (("strokeColor", "0"), ("fillColor", "0"), ("fillColor2", "255")):
        SubElement(node, name, {"red": level, "green": level, "blue": level, "alpha": "255"})
