"""How many crossings a walk test takes: at most, on average where zones are good, and as the model expects it to go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from geotools.site import Site
from geotools.steps.walktest.kernel import trials_needed
from geotools.steps.walktest.results import groups_of, plan_of
from geotools.steps.walktest.sequential import SequentialPlan

__all__ = ["effort_words", "expected_crossings", "fewest_words", "stop_words"]


def _until_decided(plan: SequentialPlan, group: Sequence[Mapping[str, Any]]) -> int:
    """Crossings of a group, in the order to walk, until it is decided if every one goes as the model expects."""
    missed = 0
    for walked, row in enumerate(sorted(group, key=lambda r: r["walk_order"]), start=1):
        missed += row["expected"] == "missed"
        if plan.decided(walked, missed):
            return walked
    return len(group)


def expected_crossings(site: Site, rows: Sequence[Mapping[str, Any]]) -> tuple[float, int]:
    """Crossings until every zone and threat is decided.

    Parameters
    ----------
    site : Site
        Its walk-test settings.
    rows : sequence of mapping
        Of the layer walk_test, with what the model expects.

    Returns
    -------
    Mean number where every crossing is detected with the probability of a good zone; number if all goes as expected.
    """
    plan = plan_of(site.walktest)
    still, _ = plan.going_on(plan.good)
    groups = groups_of(rows, site.walktest).values()
    return float(sum(still[: len(group)].sum() for group in groups)), sum(_until_decided(plan, g) for g in groups)


def effort_words(site: Site, rows: Sequence[Mapping[str, Any]]) -> str:
    """How many crossings, people and hours a walk test takes, at most and on average."""
    wanted, plan = site.walktest, plan_of(site.walktest)
    hours = len(rows) * wanted.minutes / 60.0
    people = "1 person" if wanted.people == 1 else f"{wanted.people} people"
    average, as_expected = expected_crossings(site, rows)
    return (
        f"{len(rows)} crossings at most, {people}, {hours:.1f} hours at {wanted.minutes:g} minutes each; {average:.0f} "
        f"on average where {100 * plan.good:g} of 100 are detected, {as_expected} if all goes as the model expects; "
        f"the worst places of all zones come first, {sum(row['round'] == 1 for row in rows)} of them"
    )


def fewest_words(site: Site) -> str:
    """Why no walk test of a zone and threat is shorter: chance alone brings a zone that detects no more through it.

    With no miss in n crossings the confidence is one less the probability to the power of n (success run).
    """
    p, confidence = site.walktest.probability, site.walktest.confidence
    fewest = trials_needed(p, confidence)
    passes = 100.0 * p ** (fewest - 1)
    return (
        f"no test shows {p:.2f} at {100 * confidence:g} % confidence with fewer than {fewest} crossings: a zone that "
        f"detects no more than {p:.2f} comes through {fewest - 1} of them without a miss in {passes:.1f} % of tests"
    )


def stop_words(site: Site) -> str:
    """When the crossings of a zone and threat are over."""
    plan = plan_of(site.walktest)
    where = "zone and threat" if site.walktest.scope == "zone" else "threat over the whole site"
    if not plan.failures:
        return f"1 miss ends this {where}: leave out the rest of its crossings"
    shown = ", ".join(f"{number} crossings with {k} missed" for k, number in enumerate(plan.numbers))
    soon = "".join(f"{k} missed of the first {n}, or " for k, n in enumerate(plan.early) if n >= k > 0)
    ends = f"{soon}{plan.failures + 1} missed end it: leave out the rest of its crossings"
    return f"this {where} is shown by {shown}; {ends}"
