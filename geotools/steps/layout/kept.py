"""Heads as a person left them in a GIS, taken as they are: grouped into zones, put in order along the fence."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point

from geotools.beam import HeadType
from geotools.errors import InputError
from geotools.plan.model import Head, Zone
from geotools.plan.zones import text_of
from geotools.steps.layout.usable import Course

__all__ = ["kept_zones"]

Row = Mapping[str, Any]
Level = Callable[[float, float], float]
_LAYER = "layer heads"


def _refuse(what: str, where: str, found: object, expected: str, mend: str) -> InputError:
    return InputError(what, where=f"{_LAYER}, {where}", found=found, expected=expected, mend=mend)


def _paired(zone_id: str, rows: Sequence[Row]) -> None:
    """Every level has one transmitter and one receiver of one head type."""
    for level in sorted({row["level"] for row in rows}):
        here = [row for row in rows if row["level"] == level]
        roles = sorted(row["role"] for row in here)
        if roles != ["receiver", "transmitter"]:
            raise _refuse(
                "a level of a zone has not one transmitter and one receiver",
                f"zone {zone_id}, level {level}",
                ", ".join(f"{row['head_id']} ({row['role']})" for row in here),
                "one transmitter and one receiver",
                "add the missing head, delete the surplus one, or correct its zone_id, role or level",
            )
        if len({row["head_type"] for row in here}) != 1:
            raise _refuse(
                "the two heads of a beam are of different types",
                f"zone {zone_id}, level {level}",
                ", ".join(f"{row['head_id']} {row['head_type']}" for row in here),
                "one head type",
                "give both the same head_type",
            )


def _place_along(course: Course, tx: NDArray[np.float64], rx: NDArray[np.float64]) -> tuple[float, bool]:
    """Chainage of a zone's middle along the course, and whether it starts with its transmitters."""
    line = course.line
    s, t = (float(line.project(Point(xy))) for xy in (tx, rx))
    if line.is_closed:
        ahead = (t - s) % line.length
        forward = ahead <= line.length / 2
        middle = (s + ahead / 2) % line.length if forward else (t + (line.length - ahead) / 2) % line.length
        return middle, forward
    return (s + t) / 2, s <= t


def _course_of(courses: Sequence[Course], zone_id: str, fence_id: str | None, at: NDArray[np.float64]) -> Course:
    by_name = {course.fence_id: course for course in courses}
    if fence_id in by_name:
        return by_name[fence_id]
    return min(courses, key=lambda course: course.line.distance(Point(at)))


def _begun_as_before(ring: list[Zone]) -> list[Zone]:
    """Zones of a closed line from the lowest number known: a post moved over the line's seam turns no rows round."""
    numbers = [zone.number for zone in ring if zone.number]
    if numbers == sorted(numbers):
        return ring
    first = next(k for k, zone in enumerate(ring) if zone.number == min(numbers))
    return ring[first:] + ring[:first]


def kept_zones(
    heads: Sequence[Row],
    courses: Sequence[Course],
    *,
    fence_of: Mapping[str, str],
    number_of: Mapping[str, int],
    kinds: Mapping[str, HeadType],
    level_at: Level,
    locked: Collection[str] = (),
) -> dict[str, list[Zone]]:
    """The zones of every course in order, with the heads as they stand.

    Parameters
    ----------
    heads : rows of the layer with ``geometry``; place, height, role, level, type, polarisation and channel are kept.
    courses : what they stand along. fence_of, number_of : fence line and number of the zones known so far.
    kinds : head types by name. level_at : ground level at a place, m. locked : zones that are.

    Raises
    ------
    InputError : names doubled or missing, a head without its partner, unknown head types, no heads at all.
    """
    if not heads:
        raise _refuse("there are no heads to keep", "the whole layer", "no rows", "heads", "run layout without keep")
    seen: set[str] = set()
    groups: dict[str, list[Row]] = {}
    for row in heads:
        name = row["head_id"]
        if name in seen:
            raise _refuse("two heads have one name", f"head {name}", "twice", "once", "give the copy a name of its own")
        seen.add(name)
        if row["head_type"] not in kinds:
            raise _refuse(
                "a head is of an unknown type", f"head {name}", row["head_type"], ", ".join(kinds), "correct head_type"
            )
        height = row["height_m"]
        if height is None or not 0.05 <= float(height) <= 20.0:
            raise _refuse("a head's height is invalid", f"head {name}", height, "0.05 to 20 m", "correct height_m")
        groups.setdefault(row["zone_id"], []).append(row)
    found: dict[str, list[tuple[float, Zone]]] = {course.fence_id: [] for course in courses}
    for zone_id, rows in groups.items():
        _paired(zone_id, rows)
        ends = {
            role: np.mean([shapely.get_coordinates(row["geometry"])[0] for row in rows if row["role"] == role], axis=0)
            for role in ("transmitter", "receiver")
        }
        middle = (ends["transmitter"] + ends["receiver"]) / 2
        if np.hypot(*(ends["transmitter"] - ends["receiver"])) < 1.0:
            raise _refuse(
                "transmitter and receiver stand on one place",
                f"zone {zone_id}",
                f"x {middle[0]:.2f}, y {middle[1]:.2f}",
                "posts at least 1 m apart",
                "move one of them",
            )
        course = _course_of(courses, zone_id, fence_of.get(zone_id), middle)
        place, forward = _place_along(course, ends["transmitter"], ends["receiver"])
        kept = []
        for row in rows:
            x, y = (float(v) for v in shapely.get_coordinates(row["geometry"])[0])
            channel = row.get("channel")
            kept.append(
                Head(
                    row["head_id"],
                    row["level"],
                    kinds[row["head_type"]],
                    (row["role"] == "transmitter") == forward,
                    row["role"] == "transmitter",
                    x,
                    y,
                    level_at(x, y),
                    float(row["height_m"]),
                    row["polarisation"] or "vertical",
                    None if channel is None or np.isnan(channel) else int(channel),
                    text_of(row.get("locked")),
                )
            )
        zone = Zone.of_heads(zone_id, kept, fence_id=course.fence_id, number=number_of.get(zone_id, 0))
        found[course.fence_id].append((place, replace(zone, locked=zone_id in locked)))
    result = {}
    for course in courses:
        fence_id = course.fence_id
        ordered = [zone for _, zone in sorted(found[fence_id], key=lambda pair: (pair[0], pair[1].zone_id))]
        if course.line.is_closed:
            ordered = _begun_as_before(ordered)
        taken = {zone.number for zone in ordered if zone.number}
        free = (n for n in range(1, len(ordered) + len(taken) + 1) if n not in taken)
        result[fence_id] = [zone if zone.number else replace(zone, number=next(free)) for zone in ordered]
    return result
