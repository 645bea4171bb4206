"""A sketch of every zone for whoever walks it: posts by name, fence, distances, and each crossing by its number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from shapely import LineString

from geotools.detection.perimeter import Perimeter
from geotools.io.paper import Document, Sheet
from geotools.io.scales import scale_for, scale_text
from geotools.plan import cautions
from geotools.plan.grouped import rows_by
from geotools.plan.model import Zone
from geotools.plan.paper_state import PaperState
from geotools.plan.schema.style import BLACK, BLUE, GREY, PALE, VERMILION
from geotools.steps.walktest.effort import effort_words, fewest_words, stop_words
from geotools.steps.walktest.forms import LASTING
from geotools.steps.walktest.lettering import Lettering
from geotools.steps.walktest.worth_fitting import FITTING_M, HeadZone

__all__ = ["write_sketches"]

_EDGE, _LEFT = 12.0, 22.0
#: From the upper edge of the sheet to the first strip, and room of each threat's strip, mm.
_TOP = 40.0
#: Ground beyond the strip that is drawn, m.
_BESIDE_M = 6.0
#: Size of numbers and of words beside lines, points; rows in which numbers may stand.
_NUMBER, _WORD, _ROWS = 5.0, 6.0, 5
#: Room to either side of the middle of the ruler for its words, mm.
_RULER_WORDS = 13.0
_COLOURS = {"undetected": VERMILION, "unproven": VERMILION, "worst spot": BLACK, "even cover": BLUE}


def write_sketches(
    path: Path,
    site: Any,
    rows: Sequence[Mapping[str, Any]],
    perimeter: Perimeter,
    fence: gpd.GeoSeries,
    paper: PaperState,
    worth: Sequence[HeadZone] = (),
) -> None:
    """One page for each zone, A4 landscape, true to scale along the zone and across it.

    Parameters
    ----------
    path : Path
        Document to write.
    site : Site
        Its name, what the walk test takes, and whom the paper is for.
    rows : sequence of mapping
        Of the layer walk_test.
    perimeter : Perimeter
        Its zones.
    fence : GeoSeries
        Fence lines in the perimeter's metres.
    paper : PaperState
        Named on every page.
    worth : sequence of HeadZone
        Zones in which a crossing each half metre shows how heads hang.
    """
    book = Document(f"{site.name}: walk test", landscape=True, watermark=site.recipient)
    by_zone = rows_by(rows, "zone_id")
    worth_by_zone = {one.zone_id: one for one in worth}
    zones = [zone for zone_id, zone in perimeter.zones.items() if zone_id in by_zone]
    effort, stop = effort_words(site, rows), stop_words(site)
    for number, zone in enumerate(zones, start=1):
        sheet = Sheet(book)
        room = sheet.width - 2 * _EDGE
        title = f"{site.name}: walk test of {zone.zone_id}, sheet {number} of {len(zones)}"
        sheet.words((_EDGE, _EDGE + 4), title, 11, bold=True, room=room)
        sheet.words((_EDGE, _EDGE + 9), f"{paper.words[0].upper()}{paper.words[1:]}.", 7, room=room)
        sheet.words((_EDGE, _EDGE + 13), f"Whole site: {effort}.", 7, room=room)
        sheet.words((_EDGE, _EDGE + 17), f"{stop[0].upper()}{stop[1:]}; {fewest_words(site)}.", 7, room=room)
        if (one := worth_by_zone.get(zone.zone_id)) is not None:
            text = f"A crossing each {FITTING_M:g} m shows how its heads hang; weakest near the threshold: "
            sheet.words((_EDGE, _EDGE + 21), f"{text}{one.threat}, {one.away_m:.1f} m from {one.post}.", 7, room=room)
        _zone_page(sheet, zone, by_zone[zone.zone_id], perimeter, fence)
        y = sheet.height - _EDGE - 9
        for text in (f"{cautions.ALARM_STATION} {LASTING}", cautions.EXPOSURE, cautions.SENSITIVE):
            sheet.words((_EDGE, y), text, 6.5, room=room)
            y += 3.4
    book.output(path)


def _zone_page(
    sheet: Sheet, zone: Zone, rows: Sequence[Mapping[str, Any]], perimeter: Perimeter, fence: gpd.GeoSeries
) -> None:
    """The zone once for each threat, one below the other, with the crossings of that threat."""
    threats = list(dict.fromkeys(row["threat"] for row in rows))
    tall = (sheet.height - _TOP - _EDGE - 14) / max(len(threats), 1)
    half = perimeter.rules.half_width_m
    scale = max(
        scale_for(zone.line.length, sheet.width - 2 * _LEFT), scale_for(2 * (half + _BESIDE_M), max(tall - 16, 10))
    )
    dead = perimeter.dead(zone.zone_id)
    for place, threat in enumerate(threats):
        top = _TOP + place * tall
        mine = [row for row in rows if row["threat"] == threat]
        last = max(row["number"] for row in mine)
        speeds = " and ".join(f"{speed:g}" for speed in dict.fromkeys(row["speed_m_s"] for row in mine))
        worst = sum(row["round"] == 1 for row in mine)
        first = f", the worst {worst} first (bold numbers)" if worst else ""
        about = f"{threat}: {last} crossings at {speeds} m/s by turns{first}; {scale_text(scale)}"
        sheet.words((_EDGE, top), about, 8, bold=True)
        middle = top + 5 + (half + _BESIDE_M) * 1000 / scale
        _Strip(sheet, zone, middle, scale).draw(
            mine, perimeter.grids[zone.zone_id].chainage_m, dead[threat], half, fence
        )


class _Strip:
    """A zone drawn along the sheet, transmitter post on the left, offsets to its left upwards."""

    def __init__(self, sheet: Sheet, zone: Zone, middle: float, scale: float) -> None:
        self.sheet, self.zone, self.middle, self.per_m = sheet, zone, middle, 1000.0 / scale

    def at(self, chainage: Any, offset: Any) -> list[tuple[float, float]]:
        """Places on the sheet, mm."""
        along, across = np.broadcast_arrays(np.asarray(chainage, float), np.asarray(offset, float))
        return list(zip((_LEFT + along * self.per_m).ravel(), (self.middle - across * self.per_m).ravel(), strict=True))

    def draw(self, rows: Any, chainage: Any, dead: Any, half: float, fence: gpd.GeoSeries) -> None:
        """Strip, dead stretches, posts, fence, distances and crossings."""
        length = self.zone.line.length
        self.sheet.area(self.at([0, length, length, 0], [-half, -half, half, half]), PALE)
        edges = np.flatnonzero(np.diff(np.r_[False, dead, False].astype(int)))
        for first, after in zip(edges[::2], edges[1::2], strict=True):
            ends = [chainage[first], chainage[after - 1]]
            low, high = (ends[0] - 0.25, ends[1] + 0.25) if ends[0] == ends[1] else ends
            self.sheet.area(self.at([low, high, high, low], [-half, -half, half, half]), "#f4c7a8")
        self.sheet.line(self.at([0, length], [0, 0]), colour=GREY, width=0.3, dash=(2.0, 1.0))
        lettering = Lettering()
        fences = self._fence(fence, half)
        self._ruler(length, half)
        for part in fences:
            lettering.draw(part)
        tails = [self._crossing(row, lettering) for row in rows]
        for row, (tail, up) in sorted(zip(rows, tails, strict=True), key=lambda one: one[1][0]):
            self._number(row, tail, up, lettering)
        for part in fences:
            self._name_fence(part, lettering)

    def _fence(self, fence: gpd.GeoSeries, half: float) -> list[list[tuple[float, float]]]:
        """Draw what is near of the fence; its pieces as they lie on the sheet."""
        drawn = []
        reach = half + _BESIDE_M
        window = self.zone.line.rectangle(-1.0, self.zone.line.length + 1.0, reach)
        for shape in fence.intersection(window):
            for part in getattr(shape, "geoms", [shape]):
                if part.is_empty or part.geom_type != "LineString":
                    continue
                x, y = np.asarray(part.coords)[:, :2].T
                along, across = self.zone.line.from_map(x, y)
                self.sheet.line(self.at(along, across), width=0.6)
                drawn.append(self.at(along, across))
        return drawn

    def _name_fence(self, part: list[tuple[float, float]], lettering: Lettering) -> None:
        """The word beside a piece of fence, where nothing else stands; none beside a piece as short as the word."""
        line = LineString(part)
        wide = self.sheet.document.width_of("fence", _WORD)
        if line.length < 2 * wide:
            return
        places = []
        for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9, 0.05, 0.95):
            at = line.interpolate(share, normalized=True)
            places += [(at.x, at.y - 1.0), (at.x, at.y + 2.4)]
        self.sheet.label(lettering.place(places, wide, _WORD), "fence", _WORD, anchor="middle")

    def _ruler(self, length: float, half: float) -> None:
        """Distances from the nearer post, every ten metres, and the posts by name."""
        ends = (
            (0.0, self.zone.post_id(self.zone.forward), "transmitters"),
            (length, self.zone.post_id(not self.zone.forward), "receivers"),
        )
        for at, name, role in ends:
            ((x, y),) = self.at(at, 0.0)
            self.sheet.disc(x, y, 1.1, BLACK)
            anchor: Any = "end" if at == 0.0 else "start"
            self.sheet.words(
                (x + (-1.8 if at == 0.0 else 1.8), y - 0.4), name, 6, anchor=anchor, bold=True, room=_LEFT - 3
            )
            self.sheet.words((x + (-1.8 if at == 0.0 else 1.8), y + 2.4), role, 5.5, anchor=anchor)
        # round distances from the nearer post, below fence and numbers
        below = -(half + _BESIDE_M)
        self.sheet.line(self.at([0.0, length], [below, below]), width=0.15)
        for tens in range(int(length / 2 // 10) + 1):
            away = 10.0 * tens
            for at in dict.fromkeys((away, length - away)):
                (low,) = self.at(at, below)
                self.sheet.line([low, (low[0], low[1] + 1.0)], width=0.15)
                # the words in the middle need their room
                if abs(at - length / 2) * self.per_m > _RULER_WORDS:
                    self.sheet.words((low[0], low[1] + 3.2), f"{away:g}", 5, anchor="middle")
        ((x, y),) = self.at(length / 2, below)
        self.sheet.label((x, y + 3.4), "m from the nearer post", 5, anchor="middle")

    def _crossing(self, row: Mapping[str, Any], lettering: Lettering) -> tuple[tuple[float, float], float]:
        """Draw the way; its start on the sheet, and where from there its number goes: -1 up, +1 down."""
        along, across = self.zone.line.from_map(*np.asarray(row["geometry"].coords)[:, :2].T)
        start, end = self.at(along, across)
        colour = _COLOURS.get(row["reason"], BLACK)
        self.sheet.line([start, end], colour=colour, width=0.35 if row["round"] == 1 else 0.2)
        down = 1.0 if end[1] > start[1] else -1.0
        self.sheet.area([end, (end[0] - 0.7, end[1] - 1.6 * down), (end[0] + 0.7, end[1] - 1.6 * down)], colour)
        lettering.draw([start, end])
        return start, -down

    def _number(self, row: Mapping[str, Any], tail: tuple[float, float], up: float, lettering: Lettering) -> None:
        """The number beyond the start of the way, farther out where others or the fence stand in between."""
        text, bold = f"{row['number']}", row["round"] == 1
        rows = [tail[1] + up * (1.0 + 2.0 * k) + (0.0 if up < 0 else 1.6) for k in range(_ROWS)]
        wide = self.sheet.document.width_of(text, _NUMBER, bold=bold)
        at = lettering.place([(tail[0], y) for y in rows], wide, _NUMBER)
        self.sheet.words(at, text, _NUMBER, anchor="middle", bold=bold)
