"""A plan on paper: one A3 sheet with the layers in their styles, legend, scale, and whom it is for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
from shapely import get_parts
from shapely.geometry.base import BaseGeometry

from geotools.io.paper import Box, Document, Panel, Sheet, TitleBlock, north_arrow, scale_bar
from geotools.io.scales import scale_for, scale_text
from geotools.plan.cautions import DETECTION, EARTHWORKS, RADIO, SENSITIVE
from geotools.plan.project.tree import GROUPS, VectorEntry
from geotools.plan.schema import LayerSchema, Style, Symbol
from geotools.plan.schema.qml import kind_of

__all__ = ["PaperMap", "draw_map"]

_LEGEND_MM, _MARGIN_MM = 78.0, 8.0
_DASH = {"solid": None, "dash": (2.0, 1.0), "dot": (0.5, 0.8), "dash dot": (3.0, 1.0)}
_KIND_RANK = {"fill": 1.0, "line": 2.0, "marker": 3.0}
_EVERY_THREAT = "all"
_NOT_FOR_ALL = "Not to be copied or passed on."


@dataclass(frozen=True)
class PaperMap:
    """What the sheet says and shows.

    Attributes
    ----------
    site, crs, vertical_datum, revision, date : str
        For the title block.
    audience, recipient : str
        Whom it is for; the recipient is written across the sheet.
    layers : mapping of LayerSchema to GeoDataFrame
        With the fields that may be shown, coordinates in metres.
    """

    site: str
    audience: str
    recipient: str
    crs: str
    vertical_datum: str
    revision: str
    date: str
    layers: Mapping[LayerSchema, gpd.GeoDataFrame]


@dataclass(frozen=True)
class _Drawn:
    """A layer as it is drawn: symbol and words of the legend for each of its shapes."""

    schema: LayerSchema
    style: Style
    frame: gpd.GeoDataFrame
    order: tuple[float, ...]

    @property
    def kind(self) -> str:
        return kind_of(self.schema.geometry or "")

    def parts(self) -> Iterator[tuple[str, Symbol, BaseGeometry]]:
        """Words of the legend, symbol and shape, one simple shape at a time."""
        by_value = {c.value: (c.label, c.symbol) for c in self.style.categories}
        field = self.style.field
        values = self.frame[field] if field else [None] * len(self.frame)
        for value, shape in zip(values, self.frame.geometry, strict=True):
            label, symbol = by_value.get(value, (self.schema.title, self.style.symbol))
            for part in get_parts(shape):
                yield label, symbol, part


def _drawn(layers: Mapping[LayerSchema, gpd.GeoDataFrame]) -> list[_Drawn]:
    """Layers that the map shows when it is opened, those below first; of verdicts the worst of all threats."""
    entries = {e.layer: e for group in GROUPS for e in group.entries if isinstance(e, VectorEntry) and e.shown}
    found = []
    for schema, frame in layers.items():
        entry = entries.get(schema.name)
        if entry is None or schema.style is None or frame.empty:
            continue
        if entry.by_threat and "threat" in schema.field_names and (frame["threat"] == _EVERY_THREAT).any():
            shown = frame[frame["threat"] == _EVERY_THREAT]
        else:
            shown = frame
        rank = _KIND_RANK[kind_of(schema.geometry or "")]
        found.append(_Drawn(schema, schema.style, shown, (entry.top, rank)))
    return sorted(found, key=lambda one: one.order)


def draw_map(path: Path, plan: PaperMap) -> None:
    """Write the sheet as PDF; OSError where the file cannot be written."""
    drawn = _drawn(plan.layers)
    title = f"Plan for the {plan.audience}" if plan.audience != "full" else "Plan, complete"
    public = plan.audience == "public"
    mark = plan.recipient or ("" if public else title)
    document = Document(f"{plan.site}: {title}", size="A3", landscape=True, subject=plan.recipient, watermark=mark)
    sheet = Sheet(document)
    block = TitleBlock(
        plan.site,
        revision=plan.revision,
        date=plan.date,
        crs=plan.crs,
        vertical_datum=plan.vertical_datum,
        cautions=_cautions({one.schema.name for one in drawn}, public),
    )
    everything = np.array([one.frame.total_bounds for one in drawn] or [[0.0, 0.0, 1.0, 1.0]])
    low, high = everything[:, :2].min(axis=0), everything[:, 2:].max(axis=0)
    room = Box(20.0 + _MARGIN_MM, 10.0 + _MARGIN_MM, 390.0 - _LEGEND_MM - 2 * _MARGIN_MM, 231.0 - 2 * _MARGIN_MM)
    span = np.maximum(high - low, 1.0)
    scale = max(scale_for(float(span[0]), room.width), scale_for(float(span[1]), room.height - 12))
    area, side = block.draw(sheet, title, scale_text(scale), "1 of 1")
    middle = (low + high) / 2
    wide, tall = room.width * scale / 1000.0, room.height * scale / 1000.0
    panel = Panel.to_scale(sheet, room, (float(middle[0]) - wide / 2, float(middle[1]) - tall / 2), scale)
    for one in drawn:
        for _, symbol, shape in one.parts():
            _shape(panel, one.kind, symbol, shape)
    for one in drawn:
        _names(panel, one)
    left = area.right - _LEGEND_MM
    sheet.line([(left, area.top), (left, area.bottom)], width=0.25)
    _legend(sheet, Box(left + 4, area.top + 4, _LEGEND_MM - 8, area.height - 8), drawn)
    scale_bar(sheet, (area.left + _MARGIN_MM, area.bottom - 4), scale)
    north_arrow(sheet, (left - 9, area.top + 13))
    _for_whom(sheet, side, plan, public)
    document.output(str(path))


def _cautions(shown: set[str], public: bool) -> tuple[str, ...]:
    """What whoever acts on these layers must know; the fence alone needs no caution."""
    needed = (
        (DETECTION, {"zones", "verdicts", "dead_spots"}),
        (EARTHWORKS, {"earthworks", "water_crossings"}),
        (RADIO, {"heads", "beams"}),
    )
    said = tuple(text for text, layers in needed if layers & shown)
    return said if public else (*said, SENSITIVE)


def _for_whom(sheet: Sheet, box: Box, plan: PaperMap, public: bool) -> None:
    at = box.left + 3
    if plan.recipient:
        sheet.words((at, box.top + 5), "for", 5.5)
        sheet.words((at, box.top + 13), plan.recipient, 14, bold=True, room=box.width - 6)
    if not public:
        sheet.words((at, box.top + 22), SENSITIVE, 8)
        sheet.words((at, box.top + 27), _NOT_FOR_ALL, 8)


def _shape(panel: Panel, kind: str, symbol: Symbol, shape: BaseGeometry) -> None:
    if kind == "marker":
        _marker(panel.sheet, panel.at(shape.x, shape.y), symbol)
        return
    rings = [shape.exterior, *shape.interiors] if kind == "fill" else [shape]
    places = [panel.at(*np.asarray(ring.coords, float)[:, :2].T) for ring in rings]
    if kind == "fill" and symbol.fill != "none":
        _fill(panel.sheet, places, symbol)
    for line in places:
        panel.sheet.line(line, colour=symbol.colour, width=symbol.width, dash=_DASH[symbol.dash])


def _fill(sheet: Sheet, rings: list[np.ndarray], symbol: Symbol) -> None:
    """An area in its colour; a hatch of the map is a paler colour here. Holes stay open."""
    pdf = sheet.document
    share = symbol.opacity * (1.0 if symbol.fill == "solid" else 0.45)
    with pdf.local_context(fill_opacity=share), pdf.drawing_context() as held:
        path = _path_of(rings)
        path.style.fill_color = symbol.fill_colour or symbol.colour
        path.style.fill_opacity = share
        path.style.stroke_color = None
        path.style.auto_close = True
        path.style.intersection_rule = "evenodd"
        held.add_item(path)


def _path_of(rings: Iterable[np.ndarray]):  # type: ignore[no-untyped-def]
    from fpdf.drawing import PaintedPath

    path = PaintedPath()
    for ring in rings:
        path.move_to(*ring[0].round(3).tolist())
        for place in ring[1:]:
            path.line_to(*place.round(3).tolist())
        path.close()
    return path


def _marker(sheet: Sheet, at: np.ndarray, symbol: Symbol) -> None:
    x, y = float(at[0]), float(at[1])
    half = 0.35 * symbol.size
    face = symbol.fill_colour or symbol.colour
    if symbol.marker == "circle":
        sheet.disc(x, y, half + 0.15, symbol.colour)
        sheet.disc(x, y, half, face)
        return
    if symbol.marker == "cross":
        sheet.line([(x - half, y), (x + half, y)], colour=symbol.colour, width=0.3)
        sheet.line([(x, y - half), (x, y + half)], colour=symbol.colour, width=0.3)
        return
    rings: dict[str, list[tuple[float, float]]] = {
        "square": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
        "triangle": [(0, -1.15), (1, 0.85), (-1, 0.85)],
        "diamond": [(0, -1.2), (1.2, 0), (0, 1.2), (-1.2, 0)],
    }
    ring = [(x + half * a, y + half * b) for a, b in rings[symbol.marker]]
    sheet.area(ring, face)
    sheet.line([*ring, ring[0]], colour=symbol.colour, width=0.2)


def _names(panel: Panel, one: _Drawn) -> None:
    if one.style.label_field is None:
        return
    for text, shape in zip(one.frame[one.style.label_field], one.frame.geometry, strict=True):
        place = shape.representative_point()
        x, y = panel.at(place.x, place.y).tolist()
        if isinstance(text, str):
            panel.sheet.label((x, y), text, 6.5, anchor="middle")


def _legend(sheet: Sheet, box: Box, drawn: list[_Drawn]) -> None:
    y = box.top + 4
    sheet.words((box.left, y), "Legend", 9, bold=True)
    for one in reversed(drawn):
        found: dict[str, Symbol] = {}
        for label, symbol, _ in one.parts():
            found.setdefault(label, symbol)
        several = set(found) != {one.schema.title}
        if several:
            y += 7
            sheet.words((box.left, y), one.schema.title, 7.5, bold=True, room=box.width)
        for label, symbol in sorted(found.items()):
            y += 6
            swatch = Panel(sheet, Box(box.left, y - 3.2, 10, 4), (0.0, 10.0), (0.0, 4.0))
            _shape(swatch, one.kind, symbol, _sample(one.kind))
            sheet.words((box.left + 13, y), label, 7.5, room=box.width - 13)
        y += 2.0 if several else 0.0


def _sample(kind: str) -> BaseGeometry:
    from shapely import LineString, Point, box

    return {"marker": Point(5, 2), "line": LineString([(0, 2), (10, 2)]), "fill": box(0.5, 0.2, 9.5, 3.8)}[kind]
