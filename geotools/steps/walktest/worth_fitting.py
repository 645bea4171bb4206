"""Zones in which denser crossings can show how heads hang: those whose weakest crossing lies near the threshold."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geotools.earthwork.state import PlannedState
from geotools.engine.step import StepContext
from geotools.plan.schema import CROSSINGS
from geotools.steps.walktest.planning import nearer_post

__all__ = ["FITTING_M", "NEAR", "HeadZone", "fitting_words", "zones_worth_fitting"]

#: Spacing of crossings that the fit of head heights was tried with, m (see the manual).
FITTING_M = 0.5
#: Near is within this factor of the threshold: a head a few centimetres off changes what the weakest crossing meets by
#: less than that (a choice of this toolkit).
NEAR = 1.5


@dataclass(frozen=True)
class HeadZone:
    """A zone in which a crossing each half metre says something of its heads.

    Attributes
    ----------
    zone_id, threat : str
        The zone, and the threat whose weakest crossing lies nearest to the threshold.
    modulation : float
        Of that crossing.
    post : str
        The nearer post.
    away_m, length_m : float
        Distance of the crossing from that post, and length of the zone, m.
    """

    zone_id: str
    threat: str
    modulation: float
    post: str
    away_m: float
    length_m: float

    @property
    def words(self) -> str:
        """Where, for a list."""
        place = f"{self.away_m:.1f} m from post {self.post}"
        return f"{self.zone_id} ({self.threat} {self.modulation:.2f}, {place})"


def zones_worth_fitting(
    ctx: StepContext, state: PlannedState, rows: Sequence[Mapping[str, Any]]
) -> tuple[list[HeadZone], bool]:
    """Zones whose weakest crossing lies within a factor `NEAR` of the threshold, in the perimeter's order.

    Parameters
    ----------
    ctx : StepContext
        Of the step.
    state : PlannedState
        The state that is walked.
    rows : sequence of mapping
        Of the layer walk_test, with the model's prediction.

    Returns
    -------
    The zones, and whether they are judged by the layer crossings with 95 % confidence; else by the best estimate of
    the crossings that are planned, where `gaps` has not answered for this state.
    """
    weakest: dict[tuple[str, str], tuple[float, float]] = {}
    confident = ctx.workspace.has(CROSSINGS) and not state.proposes
    if confident:
        found = ctx.read(CROSSINGS)
        found = found[found["modulation_95"].notna() & found["chainage_m"].notna()]
        confident = not found.empty
        for row in found.itertuples():
            weakest[str(row.zone_id), str(row.threat)] = float(row.modulation_95), float(row.chainage_m)
    if not confident:
        for crossing in rows:
            key, m = (crossing["zone_id"], crossing["threat"]), crossing["modulation"]
            if m is not None and m < weakest.get(key, (math.inf, 0.0))[0]:
                weakest[key] = m, crossing["chainage_m"]
    threshold = state.perimeter.rules.threshold
    # how near, on either side: it chooses where to walk more, and says of nobody whether they are detected
    nearness: dict[str, float] = {}
    best: dict[str, HeadZone] = {}
    for (zone_id, threat), (m, chainage) in weakest.items():
        zone = state.perimeter.zones.get(zone_id)
        if zone is None or m <= 0.0:
            continue
        factor = math.exp(abs(math.log(m / threshold)))
        if factor <= NEAR and factor < nearness.get(zone_id, math.inf):
            nearness[zone_id] = factor
            post, away = nearer_post(zone, chainage)
            best[zone_id] = HeadZone(zone_id, threat, m, post, away, zone.line.length)
    return [best[name] for name in state.perimeter.zones if name in best], confident


def fitting_words(zones: Sequence[HeadZone], confident: bool, threshold: float) -> str:
    """Which zones are worth the crossing each half metre that the fit of head heights needs."""
    near = f"{threshold / NEAR:.2f} to {NEAR * threshold:.2f}, about the threshold of {threshold:.2f}"
    how = "with 95 % confidence" if confident else "by the best estimate; gaps has not said it with confidence"
    if not zones:
        return (
            f"no zone's weakest crossing ({how}) meets {near}: more crossings would hardly show how heads hang; "
            "measure them"
        )
    trials = math.ceil(max(zone.length_m for zone in zones) / FITTING_M) + 1
    return (
        f"a crossing each {FITTING_M:g} m shows how heads hang where the weakest crossing ({how}) meets {near}: "
        f"{', '.join(zone.words for zone in zones)}; --trials {trials} plans as many. Measure the heads of other zones"
    )
