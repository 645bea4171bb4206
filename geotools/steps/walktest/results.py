"""What the results of a walk test demonstrate, zone by zone or for the whole site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from geotools.site import WalkTest
from geotools.steps.walktest.kernel import binomial_bounds
from geotools.steps.walktest.sequential import SequentialPlan

__all__ = ["WHOLE_SITE", "groups_of", "judge", "plan_of"]

#: What stands in the place of a zone where the site is judged as a whole.
WHOLE_SITE = "whole site"


def plan_of(wanted: WalkTest) -> SequentialPlan:
    """The sequential plan that the settings ask for."""
    return SequentialPlan(wanted.probability, wanted.confidence, wanted.failures)


def groups_of(rows: Sequence[Mapping[str, Any]], wanted: WalkTest) -> dict[tuple[str, str], list[Mapping[str, Any]]]:
    """Crossings that are judged together: of a zone, or of the whole site, and a threat."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        zone = row["zone_id"] if wanted.scope == "zone" else WHOLE_SITE
        groups.setdefault((zone, row["threat"]), []).append(row)
    return groups


def _next(detected: int, walked: int, void: int, planned: int, wanted: WalkTest) -> tuple[str, str]:
    p, c = wanted.probability, 100 * wanted.confidence
    plan, missed = plan_of(wanted), walked - detected
    further = plan.further(walked, missed)
    again = f"{void} results are void, for heads or ground changed since: walk those crossings again. " if void else ""
    if walked == 0:
        return ("void", again.strip()) if void else ("not walked", f"Walk the {planned} planned crossings.")
    if further is None:
        allowed = missed <= wanted.failures
        why = f"{walked} walked are too few for that" if allowed else f"the plan allows for {wanted.failures}"
        return "failed", (
            f"{again}{missed} missed, and {why}: stop here. Look at the missed places, "
            f"mend ground or heads there, then plan anew and walk all crossings."
        )
    if further == 0:
        lower = float(binomial_bounds(detected, walked, wanted.confidence)[0])
        least = f"at least {min(lower, 1.0):.2f} of crossings like these" if not missed else f"at least {p:g}"
        return "demonstrated", f"Demonstrated: {least} detected, at {c:g} % confidence. Repeat after any change."
    return "not demonstrated yet", f"{again}{further} more crossings, all detected, demonstrate it."


def judge(rows: Sequence[Mapping[str, Any]], wanted: WalkTest) -> list[dict[str, Any]]:
    """One row of WALK_RESULT for each zone (or the whole site) and threat, in the order they stand in the plan.

    Parameters
    ----------
    rows : sequence of mapping
        Of the layer walk_test; void results do not count.
    wanted : WalkTest
        What is to be shown, and for what.
    """
    plan = plan_of(wanted)
    made = []
    for (zone, threat), group in groups_of(rows, wanted).items():
        done = [row for row in group if row["result"] and not row["void"]]
        void = sum(bool(row["result"] and row["void"]) for row in group)
        detected = sum(row["result"] == "detected" for row in done)
        verdict, following = _next(detected, len(done), void, len(group), wanted)
        lower, upper = binomial_bounds(detected, len(done), wanted.confidence) if done else (np.nan, np.nan)
        made.append(
            {
                "result_id": f"{zone} {threat}",
                "zone_id": zone,
                "threat": threat,
                "planned": len(group),
                "walked": len(done),
                "void": void,
                "detected": detected,
                "probability": detected / len(done) if done else None,
                "lower": float(lower),
                "upper": float(upper),
                "unexpected_misses": sum(row["result"] == "missed" and row["expected"] == "detected" for row in done),
                "further": plan.further(len(done), len(done) - detected),
                "verdict": verdict,
                "next": following,
            }
        )
    return made
