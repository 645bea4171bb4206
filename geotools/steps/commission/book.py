"""The commissioning book on paper: cautions, a page for every head, a walk-test page for every zone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from geotools.io.crs import map_place
from geotools.io.paper import Document, Sheet
from geotools.plan.schema.style import GREY, PALE, SKY

__all__ = ["FrontPage", "write_book"]

Row = Mapping[str, Any]
#: Millimetres: edge of the page, height of a row, room of its label and of a planned value.
_EDGE, _ROW, _LABEL, _VALUE = 18.0, 8.0, 62.0, 50.0
#: Heights that differ by less are the same, m.
_SAME_M = 0.0005
#: Levels that the scale of a page shows, dB.
_SCALE = (-30.0, 10.0)
#: Crossings in one column of a walk-test page, and columns.
_LINES, _COLUMNS = 44, 2


def _number(value: Any, form: str, unit: str) -> str:
    return "–" if value is None or pd.isna(value) else f"{value:{form}} {unit}".strip()


@dataclass(frozen=True)
class FrontPage:
    """What the first page says, whom the book is for, and the unit of the map that posts are set out in, m."""

    site: str
    state: str
    cautions: tuple[str, ...]
    recipient: str = ""
    map_unit_m: float = 1.0


def write_book(path: Path, front: FrontPage, rows: Sequence[Row], crossings: Sequence[Row]) -> int:
    """Write the book, and give back how many pages it has.

    Parameters
    ----------
    path : Path
        Document to write.
    front : FrontPage
        What the first page says.
    rows : sequence of mapping
        Rows of the layer commission.
    crossings : sequence of mapping
        Rows of the layer walk_test; empty where none are planned yet.
    """
    book = Document(f"{front.site}: commissioning book, {front.state}", watermark=front.recipient)
    site = f"{front.site}, {front.state}"
    _front(Sheet(book), site, rows, front.cautions)
    for row in rows:
        _head_page(Sheet(book), site, row, front.map_unit_m)
    zones: dict[str, list[Row]] = {}
    for crossing in sorted(crossings, key=lambda one: int(one["walk_order"])):
        zones.setdefault(str(crossing["zone_id"]), []).append(crossing)
    for zone, mine in sorted(zones.items()):
        for start in range(0, len(mine), _LINES * _COLUMNS):
            _walk_page(Sheet(book), site, zone, mine[start : start + _LINES * _COLUMNS], start > 0)
    pages = int(book.pages_count)
    book.output(str(path))
    return pages


def _title(sheet: Sheet, site: str, text: str) -> float:
    sheet.words((_EDGE, _EDGE + 2), site, 9, room=sheet.width - 2 * _EDGE)
    sheet.words((_EDGE, _EDGE + 10), text, 15, bold=True, room=sheet.width - 2 * _EDGE)
    return _EDGE + 18


def _front(sheet: Sheet, site: str, rows: Sequence[Row], cautions: Sequence[str]) -> None:
    y = _title(sheet, site, "Commissioning book")
    wide = sheet.width - 2 * _EDGE
    posts = {row["post_id"] for row in rows}
    said = (
        f"{len(rows)} heads on {len(posts)} posts, a page each, then the crossings to walk in every zone. Heights "
        "count from finished ground and are those of the set-up sheet (stakeout). Levels are against free space; a "
        "receiver counts from a level of its own, which is found from all readings of a head type. Fill in the form "
        "(commission.csv, commission.gpkg) from these pages, and read it back with `geotools commission --results`."
    )
    y = sheet.paragraph((_EDGE, y), wide, said, 9) + 4
    sheet.words((_EDGE, y), "Before anything is switched on", 11, bold=True)
    y += 6
    for text in cautions:
        y = sheet.paragraph((_EDGE + 4, y), wide - 4, f"•  {text}", 9) + 1.5
    y += 4
    for label in ("Alarm station notified by", "Set up by", "Witnessed by", "Date"):
        sheet.words((_EDGE, y), label, 9)
        sheet.line([(_EDGE + _LABEL, y + 1), (_EDGE + wide, y + 1)], width=0.2)
        y += 10


def _head_page(sheet: Sheet, site: str, row: Row, map_unit_m: float) -> None:
    y = _title(sheet, site, f"{row['head_id']}: {row['role']}, {row['level']}")
    place = row["geometry"]
    at = map_place(place.x, place.y, map_unit_m)
    stands = f"Post {row['post_id']}, {at}, axis at {place.z:.3f} m; {row['head_type']} head"
    sheet.words((_EDGE, y), stands, 9, room=sheet.width - 2 * _EDGE)
    y = _columns(sheet, y + 8)
    channel = "not planned" if pd.isna(row["channel"]) else f"{int(row['channel'])}"
    # what is to be set, and what was, where the fields are filled in already
    planned = (
        (
            "height of the axis above finished ground",
            _height(row),
            _done(row["as_set_height_m"], ".3f", "m"),
        ),
        (
            "aim from grid north",
            _number(row["grid_azimuth_deg"], ".2f", "°"),
            _done(row["as_set_azimuth_deg"], ".2f", "°"),
        ),
        ("aim from true north", _number(row["true_azimuth_deg"], ".2f", "°"), ""),
        ("tilt, up positive", _number(row["tilt_deg"], "+.2f", "°"), _done(row["as_set_tilt_deg"], "+.2f", "°")),
        ("faces, at distance", f"{row['faces_head_id']}, {_number(row['distance_m'], '.2f', 'm')}", ""),
        ("polarisation", str(row["polarisation"]), _done(row["as_set_polarisation"], "", "")),
        ("channel", channel, _done(row["as_set_channel"], ".0f", "")),
        ("threshold, modulation", _number(row["threshold"], ".2f", ""), ""),
        ("level with nobody in the zone", _level(row), _done(row["as_set_level_db"], "+.1f", "dB as shown")),
    )
    for label, value, done in planned:
        y = _field(sheet, y, label, value, done)
    y = _scale(sheet, y + 5, row)
    sheet.words((_EDGE, y), "Post, earthing and protection: by licensed practice; local codes govern", 10, bold=True)
    y += 4
    for label in (
        "foundation: kind, depth, ground met",
        "post upright, no movement by hand",
        "resistance to earth, ohm",
        "bonded to, conductor and cross-section",
        "surge protection fitted at",
        "cable, conduit and cover tight",
    ):
        y = _field(sheet, y, label, "", wide_box=True)
    sheet.words((_EDGE, y + 8), "Remarks", 9)
    if row["causes"] is not None and not pd.isna(row["causes"]):
        sheet.paragraph((_EDGE, y + 14), sheet.width - 2 * _EDGE, f"Off: {row['causes']}.", 8)
    sheet.words((_EDGE, sheet.height - _EDGE), "Set on / by", 9)
    sheet.line([(_EDGE + 24, sheet.height - _EDGE + 1), (sheet.width - _EDGE, sheet.height - _EDGE + 1)], width=0.2)


def _done(value: Any, form: str, unit: str) -> str:
    """A field that was filled in; room to write where it was not."""
    return "" if value is None or pd.isna(value) else f"{value:{form}} {unit}".strip()


def _height(row: Row) -> str:
    """Height to set, and beside it the one of the layout where that is another."""
    said, laid_out = _number(row["height_m"], ".3f", "m"), row["laid_out_height_m"]
    if laid_out is None or pd.isna(laid_out) or abs(laid_out - row["height_m"]) < _SAME_M:
        return said
    return f"{said} (laid out {laid_out:.3f})"


def _level(row: Row) -> str:
    if row["expected_level_db"] is None or pd.isna(row["expected_level_db"]):
        return "–"
    return f"{row['expected_level_db']:+.1f} dB ({row['level_low_db']:+.1f} to {row['level_high_db']:+.1f})"


def _columns(sheet: Sheet, y: float) -> float:
    for x, text in ((_EDGE + 1.5, "what"), (_EDGE + _LABEL + 1.5, "to set"), (_EDGE + _LABEL + _VALUE + 1.5, "as set")):
        sheet.words((x, y), text, 8, bold=True)
    return y + 2


def _field(sheet: Sheet, y: float, label: str, value: str, done: str = "", *, wide_box: bool = False) -> float:
    wide = sheet.width - 2 * _EDGE
    first = _LABEL
    sheet.box(_EDGE, y, first, _ROW)
    sheet.words((_EDGE + 1.5, y + 5.2), label, 8, room=first - 3)
    if wide_box:
        sheet.box(_EDGE + first, y, wide - first, _ROW)
        return y + _ROW
    sheet.box(_EDGE + first, y, _VALUE, _ROW)
    sheet.words((_EDGE + first + 1.5, y + 5.4), value, 9, bold=True, room=_VALUE - 3)
    sheet.box(_EDGE + first + _VALUE, y, wide - first - _VALUE, _ROW)
    sheet.words((_EDGE + first + _VALUE + 1.5, y + 5.4), done, 9, room=wide - first - _VALUE - 3)
    return y + _ROW


def _scale(sheet: Sheet, y: float, row: Row) -> float:
    """A scale of levels with the range expected, to mark the reading in."""
    if row["expected_level_db"] is None or pd.isna(row["expected_level_db"]):
        return y + 4
    wide = sheet.width - 2 * _EDGE

    def at(level: float) -> float:
        share = (min(max(level, _SCALE[0]), _SCALE[1]) - _SCALE[0]) / (_SCALE[1] - _SCALE[0])
        return _EDGE + share * wide

    low, high, middle = (at(float(row[name])) for name in ("level_low_db", "level_high_db", "expected_level_db"))
    sheet.area([(_EDGE, y), (_EDGE + wide, y), (_EDGE + wide, y + 5), (_EDGE, y + 5)], PALE)
    sheet.area([(low, y), (high, y), (high, y + 5), (low, y + 5)], SKY)
    sheet.line([(middle, y - 1), (middle, y + 6)], width=0.6)
    for level in range(math.ceil(_SCALE[0]), math.floor(_SCALE[1]) + 1, 5):
        sheet.line([(at(level), y + 5), (at(level), y + 6.2)], width=0.15, colour=GREY)
        sheet.words((at(level), y + 9.2), f"{level:+d}" if level else "0", 7, anchor="middle")
    said = "level against free space, dB: line as expected, band within the tolerances of mounting, aim and grass"
    sheet.words((_EDGE, y + 13.5), said, 7, room=wide)
    return y + 22


def _walk_page(sheet: Sheet, site: str, zone: str, crossings: Sequence[Row], again: bool) -> None:
    y = _title(sheet, site, f"{zone}: walk test{', continued' if again else ''}")
    said = "Crossings in walking order, each at its distance from post A or B. Notify the alarm station before."
    sheet.paragraph((_EDGE, y), sheet.width - 2 * _EDGE, said, 8)
    room = (sheet.width - 2 * _EDGE) / _COLUMNS
    tall = (sheet.height - y - 8 - _EDGE) / (_LINES + 1)
    for column in range(_COLUMNS):
        left = _EDGE + column * room
        mine = crossings[column * _LINES : (column + 1) * _LINES]
        if mine:
            _walk_line(sheet, left, y + 8, ("threat, no.", "post, m", "way", "m/s", "detected", "missed"), bold=True)
        for k, one in enumerate(mine, 1):
            cells = (
                f"{one['threat']} {one['number']}",
                f"{str(one['from_post'])[-1]} {one['from_post_m']:.1f}",
                "in" if one["direction"] == "inward" else "out",
                f"{one['speed_m_s']:.2f}",
            )
            top = y + 8 + k * tall
            _walk_line(sheet, left, top, cells)
            for box in (55.0, 70.0):
                sheet.box(left + box, top - 2.6, 3.2, 3.2, 0.2)


def _walk_line(sheet: Sheet, left: float, y: float, cells: Sequence[str], *, bold: bool = False) -> None:
    for x, room, text in zip(
        (0.0, 24.0, 35.0, 43.0, 51.0, 66.0), (23.0, 10.0, 8.0, 8.0, 14.0, 14.0), cells, strict=False
    ):
        sheet.words((left + x, y), text, 7, bold=bold, room=room)
