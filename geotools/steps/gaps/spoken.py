"""Verdicts as rows, as lengths and in words no stronger than they are."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from geotools.detection.hidden import Hidden
from geotools.detection.level_answers import named_in_runs
from geotools.detection.lower_ways import LowerWay
from geotools.detection.stretches import Stretch
from geotools.detection.verdict_rows import (
    EVERY_THREAT,
    OVER_ALONE,
    SOURCE_WORDS,
    condition,
    lengths_of,
    numbered,
    settled_by,
    verdict_table,
    worst_rows,
)
from geotools.detection.verdicts import CONFIDENCE
from geotools.engine.step import StepContext
from geotools.plan.model import Zone

__all__ = [
    "EVERY_THREAT",
    "NOT_KNOWN",
    "SOURCE_WORDS",
    "condition",
    "source_lengths",
    "tell_lower_ways",
    "tell_sources",
    "tell_verdicts",
    "verdict_lengths",
    "verdict_rows",
    "verdict_table",
]

Row = dict[str, Any]
#: Begins the name of a source of what is not known exactly in the field change of the sensitivity table.
NOT_KNOWN = "not known: "


def verdict_rows(
    said: Sequence[Stretch],
    surveys: Mapping[str, Hidden] | None = None,
    left_out: Sequence[str] = (),
    lower: Mapping[tuple[str, str], str] | None = None,
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
    lower : mapping of (zone, threat) to str, optional
        Heights below the fence's at which a threat passes.
    """
    passes = {} if lower is None else lower
    missed = {} if surveys is None else surveys
    rows = [
        {
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
            "passes_lower": passes.get((one.zone_id, one.threat)),
            "geometry": one.line,
        }
        for one in said
    ]
    known = condition(left_out) or None
    single = [
        row | {"basis": "model", "conditional_on": known if row["verdict"] == "detected" else None}
        for row in numbered(rows)
    ]
    return [*single, *worst_rows(single)]


def _settle(one: Stretch, surveys: Mapping[str, Hidden]) -> str:
    """What would settle a stretch."""
    if one.cause != "survey_spacing" or one.fence_id not in surveys:
        return settled_by(one.verdict, one.cause)
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


def verdict_lengths(said: Sequence[Stretch]) -> dict[str, dict[str, float]]:
    """Metres of fence by threat and verdict; the four add up to the fence."""
    return lengths_of([vars(one) for one in said])


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


def tell_verdicts(
    ctx: StepContext,
    lengths: dict[str, dict[str, float]],
    left_out: Sequence[str] = (),
    lower: Collection[str] = (),
) -> None:
    """Say the verdicts in words, and on what condition they hold.

    left_out : sources taken as exactly known. lower : threats that pass below the fence's height.
    """
    given = " on the condition named" if left_out else ""
    if left_out:
        ctx.warn(
            f"taken as exactly known: {condition(left_out)}; 'detected with {CONFIDENCE:.0%} confidence' holds only "
            "where that is so (detection.uncertain, and tolerances of 0 in the site file)"
        )
    for threat, metres in lengths.items():
        alone = OVER_ALONE if threat in lower else ""
        parts = [f"{metres['detected']:.1f} m detected with {CONFIDENCE:.0%} confidence{alone}{given}"]
        parts += [
            f"{metres[name]:.1f} m {name.replace('_', ' ')}"
            for name in ("unproven", "undetected", "no_beam")
            if metres[name] > 0.0
        ]
        ctx.say(f"{threat}: {', '.join(parts)}")
    bare = max(metres["no_beam"] for metres in lengths.values()) if lengths else 0.0
    if bare > 0.0:
        ctx.warn(f"{bare:.1f} m of fence have no beam (layer verdicts)")


def tell_lower_ways(ctx: StepContext, ways: Sequence[LowerWay], zones: Sequence[Zone]) -> None:
    """Say what passes below the fence's height, beside the verdicts that are for that height."""
    for way in ways:
        ctx.warn(
            f"{way.threat} is judged as high as the fence; lower, {way.heights}, it passes undetected over level "
            f"ground (modulation {way.modulation:.2f}) in {named_in_runs(way.zones, zones)}: put heads between, or "
            "leave nothing beside the beam that a plank or ladder can rest on"
        )
