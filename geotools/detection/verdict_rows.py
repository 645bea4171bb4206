"""Verdicts along the fence as rows of their layer: the worst of all threats, lengths, the closing table."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Mapping, Sequence
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import pandas as pd
from shapely import LineString, get_coordinates, line_interpolate_point

from geotools.detection.verdicts import VERDICTS
from geotools.plan import ids

__all__ = [
    "EVERY_THREAT",
    "OVER_ALONE",
    "SOURCE_WORDS",
    "Row",
    "condition",
    "conditions",
    "lengths_of",
    "named_as_judged",
    "numbered",
    "settled_by",
    "threats_passing_lower",
    "verdict_table",
    "worst_rows",
]

Row = dict[str, Any]
#: Stands in the field threat of the rows for all threats together, the worst of them.
EVERY_THREAT = "all"
#: Stands behind a threat, or what is said of it, that is judged at the fence's height and passes lower.
OVER_ALONE = ", as high as the fence alone"
_RANK = {"no_beam": 0, "undetected": 1, "unproven": 2, "detected": 3}
#: So many zones are named in a condition; the layer has all.
_ZONES_NAMED = 3
SOURCE_WORDS = {
    "survey": "accuracy of the survey",
    "spacing": "dips between its points",
    "build": "works as they turn out",
    "body": "bodies' sizes",
    "surface": "surface of the grass",
    "heads": "heads as mounted",
    "law": "law of the receiver",
}
_SETTLE = {
    "": "a walk test",
    "no_beam": "a zone, or heads in the zone that stands there",
    "no_ground": "the ground of the zone's strip surveyed: the terrain has no data there",
    "survey_unstated": "the accuracy of the terrain: input.vertical_accuracy_m or survey.check_points",
    "survey_spacing": "the strip surveyed at a closer spacing",
    "not_known_exactly": "levels at the points of the layer resurvey, named as input.levels; heads measured as mounted",
    "field_3d": "a walk test: the field over the profile detects here, the one in three dimensions does not",
    "receiver_law": "a walk test, which fits the receiver's law and threshold",
    "walk_missed": "mend ground or heads here, where somebody crossed without an alarm, and walk again",
    "walk_contradicts": "heads measured and settings corrected as the walk test says, gaps, and a walk test again",
}


def settled_by(verdict: str, cause: str | None) -> str:
    """What would settle a stretch, in words."""
    if verdict == "undetected" and not cause:
        return "remedy: the layers options and advice"
    return _SETTLE[cause or ""]


def condition(left_out: Sequence[str]) -> str:
    """What is taken as exactly known, in words; empty where nothing is."""
    return ", ".join(SOURCE_WORDS[source] for source in left_out)


def conditions(verdicts: pd.DataFrame) -> str:
    """What verdicts of detected take for granted, in words after "on the condition"; empty where nothing is.

    verdicts : rows of the layer verdicts, of single threats.
    """
    mine = verdicts[(verdicts["verdict"] == "detected") & (verdicts["threat"] != EVERY_THREAT)]
    known = mine["conditional_on"].dropna().unique() if "conditional_on" in mine else ()
    said = [f"that these are exactly as given: {words}" for words in known]
    lower = mine[mine["passes_lower"].notna()] if "passes_lower" in mine else mine[:0]
    for threat, of_threat in lower.groupby("threat"):
        bands = []
        for heights, rows in of_threat.groupby("passes_lower"):
            zones = list(dict.fromkeys(rows["zone_id"]))
            where = ", ".join(zones) if len(zones) <= _ZONES_NAMED else f"{len(zones)} zones"
            bands.append(f"{heights} in {where}")
        passes = "; ".join(bands)
        said.append(f"that {threat} is as high as the fence: lower it passes undetected over level ground, {passes}")
    return "; ".join(said)


def named_as_judged(threat: str, lower: Collection[str]) -> str:
    """A threat's name beside its lengths; ``lower`` : threats that pass below the fence's height."""
    return f"{threat}{OVER_ALONE}" if threat in lower else threat


def threats_passing_lower(verdicts: pd.DataFrame) -> set[str]:
    """Threats that are judged at the fence's height and pass below it; ``verdicts`` : rows of the layer."""
    mine = verdicts[verdicts["threat"] != EVERY_THREAT]
    return set(mine["threat"][mine["passes_lower"].notna()]) if "passes_lower" in mine else set()


def numbered(rows: Sequence[Row]) -> list[Row]:
    """Rows of single threats in the layer's order, each with its name."""
    ordered = sorted(rows, key=lambda row: (row["fence_id"], row["threat"], row["from_m"]))
    return [
        {**row, "verdict_id": f"{ids.of_threat(row['fence_id'], row['threat'])}-{number:04d}"}
        for number, row in enumerate(ordered, start=1)
    ]


def worst_rows(rows: Sequence[Row]) -> list[Row]:
    """The worst verdict of all threats along every fence line; ``rows`` : of single threats."""
    found: list[Row] = []
    for fence_id in dict.fromkeys(row["fence_id"] for row in rows):
        mine = [row for row in rows if row["fence_id"] == fence_id]
        whole = {threat: _Whole([row for row in mine if row["threat"] == threat]) for threat in _threats(mine)}
        cuts = sorted({row["from_m"] for row in mine} | {row["to_m"] for row in mine})
        pieces: list[tuple[float, float, Row]] = []
        for (a, b), here in zip(pairwise(cuts), _over_each(cuts, mine), strict=True):
            worst = min(here, key=lambda row: (_RANK[row["verdict"]], row["confidence"] or 0.0))
            lower = [f"{row['threat']}: {row['passes_lower']}" for row in here if row.get("passes_lower")]
            worst = worst | {"passes_lower": "; ".join(lower) or None}
            if pieces and all(pieces[-1][2][name] == worst[name] for name in ("verdict", "cause", "passes_lower")):
                pieces[-1] = (pieces[-1][0], b, pieces[-1][2])
            else:
                pieces.append((a, b, worst))
        for number, (a, b, worst) in enumerate(pieces, start=1):
            found.append(
                {
                    **worst,
                    "verdict_id": f"{ids.of_threat(fence_id, EVERY_THREAT)}-{number:04d}",
                    "threat": EVERY_THREAT,
                    "from_m": a,
                    "to_m": b,
                    "geometry": whole[worst["threat"]].piece(a, b),
                }
            )
    return found


def _threats(rows: Sequence[Row]) -> list[str]:
    return list(dict.fromkeys(row["threat"] for row in rows))


def _over_each(cuts: Sequence[float], rows: Sequence[Row]) -> list[list[Row]]:
    """The rows, in their order, that lie over each piece between two cuts; every row is looked at once."""
    over: list[list[Row]] = [[] for _ in cuts[1:]]
    middles = (np.array(cuts[:-1]) + np.array(cuts[1:])) / 2
    first = np.searchsorted(middles, [row["from_m"] for row in rows])
    behind = np.searchsorted(middles, [row["to_m"] for row in rows])
    for row, begins, ends in zip(rows, first.tolist(), behind.tolist(), strict=True):
        for here in over[begins:ends]:
            here.append(row)
    return over


class _Whole:
    """The fence from the first of one threat's rows to the last, to take pieces from.

    The library's own `substring` walks all nodes of the line for each piece; here they are walked once.
    """

    def __init__(self, rows: Sequence[Row]) -> None:
        ordered = sorted(rows, key=lambda row: row["from_m"])
        nodes = np.concatenate([get_coordinates(row["geometry"]) for row in ordered])
        self._line, self._first_m = LineString(nodes), ordered[0]["from_m"]
        at = nodes.tolist()
        # as the library sums them up: whether a node lies before a cut at it hangs on the last digit
        steps = (((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 for (x0, y0), (x1, y1) in pairwise(at))
        self._before_last = at[:-1]
        self._passed_m = list(accumulate(steps, initial=0.0))[:-1]

    def piece(self, from_m: float, to_m: float) -> LineString:
        """The fence between two distances along it, the second the larger."""
        a, b = from_m - self._first_m, to_m - self._first_m
        ends = line_interpolate_point(self._line, [a, b])
        between = self._before_last[bisect_right(self._passed_m, a) : bisect_left(self._passed_m, b)]
        (begin,), (end,) = (one.coords for one in ends)
        return LineString([begin, *between, end])


def lengths_of(rows: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, float]]:
    """Metres of fence by threat and verdict; the four add up to the fence."""
    lengths = {row["threat"]: dict.fromkeys(VERDICTS, 0.0) for row in rows if row["threat"] != EVERY_THREAT}
    for row in rows:
        if row["threat"] != EVERY_THREAT:
            lengths[row["threat"]][row["verdict"]] += row["to_m"] - row["from_m"]
    return {threat: {name: round(m, 2) for name, m in each.items()} for threat, each in lengths.items()}


def verdict_table(
    lengths: Mapping[str, Mapping[str, float]],
    closing: Row,
    left_out: Sequence[str] = (),
    lower: Collection[str] = (),
) -> Row:
    """The closing table: the verdicts first, then what was found zone by zone.

    left_out : sources taken as exactly known. lower : threats that pass below the fence's height.
    """
    names = ["detected, 95 %", "unproven", "undetected", "no beam"]
    first = {
        "title": "verdicts, metres of fence" + (f"; exactly as given: {condition(left_out)}" if left_out else ""),
        "columns": ["threat", *names],
        "rows": [
            [named_as_judged(threat, lower), *(f"{m[name]:.1f}" for name in VERDICTS)] for threat, m in lengths.items()
        ],
    }
    return first | {"more": [closing]}
