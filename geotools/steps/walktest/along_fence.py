"""Lets the verdicts along the fence follow a walk test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd

from geotools.detection.chains import chains_of
from geotools.detection.verdict_rows import EVERY_THREAT, lengths_of
from geotools.detection.verdicts import CONFIDENCE
from geotools.detection.walked import WalkedCrossing, after_walk
from geotools.earthwork.state import PlannedState
from geotools.engine.step import StepContext
from geotools.plan.schema import BEAMS, FENCE, VERDICTS, ZONES
from geotools.plan.workspace import frame_of

__all__ = ["follow_walk"]

Lengths = dict[str, dict[str, float]]
#: Least probability of detection that earns the word detected: what the walk test is to show unless set otherwise.
_LEAST_PROBABILITY = 0.90


def follow_walk(
    ctx: StepContext, state: PlannedState, rows: Sequence[Mapping[str, Any]], judged: Sequence[Mapping[str, Any]]
) -> tuple[gpd.GeoDataFrame, Lengths] | None:
    """The layer verdicts after the walk test with its lengths by threat; None where there is none for this state.

    Parameters
    ----------
    ctx : StepContext
        Of the step.
    state : PlannedState
        The state that is walked.
    rows : sequence of mapping
        Of the layer walk_test; void results do not count.
    judged : sequence of mapping
        Of the table walk_result.
    """
    if not ctx.workspace.has(VERDICTS) or state.proposes:
        if any(row["result"] for row in rows):
            why = "they are of the existing state" if state.proposes else "gaps has not run"
            ctx.say(f"no verdicts along the fence follow from this walk test: {why}")
        return None
    held = ctx.read(VERDICTS).to_dict("records")
    if not any(row["result"] for row in rows) and not any(row["basis"] == "walk_test" for row in held):
        return None
    fences = ctx.read(FENCE)
    walked = [
        WalkedCrossing(row["zone_id"], row["threat"], float(row["chainage_m"]), row["result"] == "detected")
        for row in rows
        if row["result"] and not row["void"]
    ]
    made = after_walk(
        held,
        chains_of(ctx.site, ctx.read(ZONES), ctx.read(BEAMS), fences),
        dict(zip(fences["fence_id"].astype(str), fences.geometry, strict=True)),
        walked,
        _demonstrated(ctx, judged),
    )
    if walked:
        _tell(ctx, made)
    return frame_of(VERDICTS, made, ctx.workspace.work_crs), lengths_of(made)


def _demonstrated(ctx: StepContext, judged: Sequence[Mapping[str, Any]]) -> dict[tuple[str, str], float]:
    """Zones and threats whose walk test earns the word detected, and at which confidence."""
    wanted = ctx.site.walktest
    shown = [row for row in judged if row["verdict"] == "demonstrated"]
    if wanted.scope != "zone":
        if shown:
            ctx.say("a demonstration for the whole site changes no verdict of a single stretch")
        return {}
    if shown and (wanted.confidence < CONFIDENCE or wanted.probability < _LEAST_PROBABILITY):
        ctx.say(
            f"unproven stretches stay so: walktest asks for less than {_LEAST_PROBABILITY:g} at {CONFIDENCE:.0%} "
            "confidence"
        )
        return {}
    return {(row["zone_id"], row["threat"]): wanted.confidence for row in shown}


def _tell(ctx: StepContext, rows: Sequence[Mapping[str, Any]]) -> None:
    single = [row for row in rows if row["threat"] != EVERY_THREAT and row["basis"] == "walk_test"]

    def metres(verdict: str, cause: str | None) -> float:
        return float(sum(r["to_m"] - r["from_m"] for r in single if (r["verdict"], r["cause"]) == (verdict, cause)))

    missed, refuted = metres("undetected", "walk_missed"), metres("unproven", "walk_contradicts")
    if shown := metres("detected", None):
        ctx.say(f"{shown:.1f} m of fence that were unproven are detected by the walk test (all threats together)")
    if missed:
        zones = sorted({row["zone_id"] for row in single if row["cause"] == "walk_missed"})
        ctx.warn(
            f"{missed:.1f} m of fence are undetected by the walk test where the model had detected somebody or left it "
            f"open: {', '.join(zones)}"
        )
    if refuted:
        zones = sorted({row["zone_id"] for row in single if row["cause"] == "walk_contradicts"})
        ctx.warn(
            f"{refuted:.1f} m of fence that the model calls detected are unproven now, for crossings were missed in "
            f"their zone that it had detected: {', '.join(zones)}"
        )
