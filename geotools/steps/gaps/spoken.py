"""Verdicts as rows, as lengths and in words no stronger than they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from shapely import LineString
from shapely.ops import substring

from geotools.detection.hidden import Hidden
from geotools.detection.verdicts import CONFIDENCE, VERDICTS, Stretch
from geotools.engine.step import StepContext
from geotools.plan import ids

__all__ = [
    "EVERY_THREAT",
    "NOT_KNOWN",
    "SOURCE_WORDS",
    "condition",
    "source_lengths",
    "tell_sources",
    "tell_verdicts",
    "verdict_lengths",
    "verdict_rows",
    "verdict_table",
]

Row = dict[str, Any]
#: Stands in the field threat of the rows for all threats together, the worst of them.
EVERY_THREAT = "all"
_RANK = {"no_beam": 0, "undetected": 1, "unproven": 2, "detected": 3}
#: Begins the name of a source of what is not known exactly in the field change of the sensitivity table.
NOT_KNOWN = "not known: "
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
}


def condition(left_out: Sequence[str]) -> str:
    """What is taken as exactly known, in words; empty where nothing is."""
    return ", ".join(SOURCE_WORDS[source] for source in left_out)


def verdict_rows(
    said: Sequence[Stretch], surveys: Mapping[str, Hidden] | None = None, left_out: Sequence[str] = ()
) -> list[Row]:
    """Rows of the layer verdicts: every stretch and threat, and for all threats together the worst.

    Parameters
    ----------
    said : sequence of Stretch
        Every fence line cut into pieces of one verdict.
    surveys : mapping of str to Hidden, optional
        What the survey of each fence line may have missed.
    left_out : sequence of str
        Sources of what is not known that the site file takes as exactly known.
    """
    missed = {} if surveys is None else surveys
    rows = [
        {
            "verdict_id": f"{ids.of_threat(one.fence_id, one.threat)}-{number:04d}",
            "fence_id": one.fence_id,
            "zone_id": one.zone_id or None,
            "threat": one.threat,
            "from_m": one.from_m,
            "to_m": one.to_m,
            "verdict": one.verdict,
            "confidence": one.confidence,
            "cause": one.cause or None,
            "settle": _settle(one, missed),
            "field": _field(one),
            "geometry": one.line,
        }
        for number, one in enumerate(_numbered(said), start=1)
    ]
    rows += _worst(said, missed)
    known = condition(left_out) or None
    return [row | {"conditional_on": known if row["verdict"] == "detected" else None} for row in rows]


def _settle(one: Stretch, surveys: Mapping[str, Hidden]) -> str:
    """What would settle a stretch."""
    if one.verdict == "undetected":
        return "remedy: the layers options and advice"
    if one.cause != "survey_spacing" or one.fence_id not in surveys:
        return _SETTLE[one.cause]
    survey = surveys[one.fence_id]
    quality = survey.quality
    return (
        f"survey the strip at {survey.spacing_m:.2g} m spacing: a survey that resolves {quality.resolves_m:.2g} m "
        f"shows no dip shorter than {quality.shortest_dip_m:.2g} m, and one from {survey.dip_m:.2g} m length could be "
        f"{one.missed_m:.2f} m deep"
    )


def _field(one: Stretch) -> str | None:
    if one.verdict == "no_beam":
        return None
    return "profile_and_3d" if one.in_3d else "profile"


def _numbered(said: Sequence[Stretch]) -> list[Stretch]:
    return sorted(said, key=lambda one: (one.fence_id, one.threat, one.from_m))


def _worst(said: Sequence[Stretch], surveys: Mapping[str, Hidden]) -> list[Row]:
    """The worst verdict of all threats along every fence line."""
    rows: list[Row] = []
    for fence_id in dict.fromkeys(one.fence_id for one in said):
        mine = [one for one in said if one.fence_id == fence_id]
        cuts = sorted({one.from_m for one in mine} | {one.to_m for one in mine})
        pieces: list[tuple[float, float, Stretch]] = []
        for a, b in pairwise(cuts):
            here = [one for one in mine if one.from_m <= (a + b) / 2 < one.to_m]
            worst = min(here, key=lambda one: (_RANK[one.verdict], one.confidence or 0.0))
            if pieces and pieces[-1][2].verdict == worst.verdict and pieces[-1][2].cause == worst.cause:
                pieces[-1] = (pieces[-1][0], b, pieces[-1][2])
            else:
                pieces.append((a, b, worst))
        for number, (a, b, worst) in enumerate(pieces, start=1):
            rows.append(
                {
                    "verdict_id": f"{ids.of_threat(fence_id, EVERY_THREAT)}-{number:04d}",
                    "fence_id": fence_id,
                    "zone_id": worst.zone_id or None,
                    "threat": EVERY_THREAT,
                    "from_m": a,
                    "to_m": b,
                    "verdict": worst.verdict,
                    "confidence": worst.confidence,
                    "cause": worst.cause or None,
                    "settle": _settle(worst, surveys),
                    "field": _field(worst),
                    "geometry": _joined([one for one in mine if one.threat == worst.threat], a, b),
                }
            )
    return rows


def _joined(lines: Sequence[Stretch], from_m: float, to_m: float) -> LineString:
    """The fence between two places of it."""
    first = min(one.from_m for one in lines)
    ordered = LineString([xy for one in sorted(lines, key=lambda one: one.from_m) for xy in one.line.coords])
    return substring(ordered, from_m - first, to_m - first)


def verdict_lengths(said: Sequence[Stretch]) -> dict[str, dict[str, float]]:
    """Metres of fence by threat and verdict; the four add up to the fence."""
    lengths = {one.threat: dict.fromkeys(VERDICTS, 0.0) for one in said}
    for one in said:
        lengths[one.threat][one.verdict] += one.to_m - one.from_m
    return {threat: {name: round(m, 2) for name, m in each.items()} for threat, each in lengths.items()}


def verdict_table(lengths: dict[str, dict[str, float]], closing: Row, left_out: Sequence[str] = ()) -> Row:
    """The closing table: the verdicts first, then what was found zone by zone."""
    names = ["detected, 95 %", "unproven", "undetected", "no beam"]
    first = {
        "title": "verdicts, metres of fence" + (f"; exactly as given: {condition(left_out)}" if left_out else ""),
        "columns": ["threat", *names],
        "rows": [[threat, *(f"{m[name]:.1f}" for name in VERDICTS)] for threat, m in lengths.items()],
    }
    return first | {"more": [closing]}


def source_lengths(sensitivity: Sequence[Row]) -> dict[str, dict[str, float]]:
    """Metres of zone that would be detected if each source of what is not known were known, by threat."""
    found: dict[str, dict[str, float]] = {}
    for row in sensitivity:
        if row["change"].startswith(NOT_KNOWN):
            of = found.setdefault(row["threat"], {})
            source = row["change"].removeprefix(NOT_KNOWN)
            of[source] = round(of.get(source, 0.0) + row["unproven_m"], 2)
    return found


def tell_sources(ctx: StepContext, lengths: dict[str, dict[str, float]]) -> None:
    """Say what each source of what is not known costs."""
    for threat, metres in lengths.items():
        parts = [f"{SOURCE_WORDS[source]} {m:.1f} m" for source, m in metres.items() if m > 0.0]
        if parts:
            ctx.say(f"{threat}: would be detected if one were known exactly: {', '.join(parts)} (table sensitivity)")


def tell_verdicts(ctx: StepContext, lengths: dict[str, dict[str, float]], left_out: Sequence[str] = ()) -> None:
    """Say the verdicts in words, and on what condition they hold."""
    given = " on the condition named" if left_out else ""
    if left_out:
        ctx.warn(
            f"taken as exactly known: {condition(left_out)}; 'detected with {CONFIDENCE:.0%} confidence' holds only "
            "where that is so (detection.uncertain, and tolerances of 0 in the site file)"
        )
    for threat, metres in lengths.items():
        parts = [f"{metres['detected']:.1f} m detected with {CONFIDENCE:.0%} confidence{given}"]
        parts += [
            f"{metres[name]:.1f} m {name.replace('_', ' ')}"
            for name in ("unproven", "undetected", "no_beam")
            if metres[name] > 0.0
        ]
        ctx.say(f"{threat}: {', '.join(parts)}")
    bare = max(metres["no_beam"] for metres in lengths.values()) if lengths else 0.0
    if bare > 0.0:
        ctx.warn(f"{bare:.1f} m of fence have no beam (layer verdicts)")
