"""What becomes of a zone as proposed where works and heads turn out within their tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.beam.strip import Strip
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.disturb import State, edge_states
from geotools.earthwork.zone_grading import GradeSettings
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface

__all__ = ["Loose", "worst_in_tolerance"]

#: A change below this is no work, m.
_NOTHING_M = 1e-4
_WORDS = {
    "low": "works built low by {build}",
    "high": "works built high by {build}",
    "settled": "fill settled by {settle}",
    "cells": "uneven works within {build}",
    "patches of 4 m": "uneven works within {build}",
    "patches of 8 m": "uneven works within {build}",
    "heads": "heads off by {heads}",
}


@dataclass(frozen=True)
class Loose:
    """The worst that a zone comes to within tolerance.

    metres : that let somebody through. words : what has to happen for that; empty where nothing does it.
    """

    metres: float = 0.0
    words: str = ""


def worst_in_tolerance(
    stands: Perimeter, surface: DesignSurface, zones: Sequence[Zone], settings: GradeSettings, draws: int | None = None
) -> Loose:
    """Try zones as proposed in every state at the edge of tolerance, one zone at a time beside the rest as drawn.

    Parameters
    ----------
    stands : Perimeter
        Everything as proposed, on `surface`.
    surface : DesignSurface
        The design; without works where none are proposed.
    zones : sequence of Zone
        Of `stands`; those that one zone of the layout becomes.
    settings : GradeSettings
        Tolerances, draws of each kind of uneven building, and widths of the works.
    draws : int, optional
        In place of the settings' own.
    """
    worst = Loose()
    tolerances = settings.tolerances
    for zone in zones:
        strip = surface.blank().strip_cells({zone.zone_id: zone.line}, settings.under_m + settings.batter_m)
        change = surface.change_at(strip.x, strip.y)
        works = bool((np.abs(change) > _NOTHING_M).any())
        state = State((zone,), strip, strip.cells.ground + change)
        states = edge_states(state, settings.draws if draws is None else draws, tolerances)
        if not works:
            states = [s for s in states if s.kind == "heads"]
        strips: dict[int, Strip] = {}
        for each in states:
            # heads that are off stand on the same ground as those that are not
            if id(each.design) not in strips:
                there = surface
                if works:
                    there = surface.around(strip)
                    there.apply(strip, each.design)
                strips[id(each.design)] = stands.strip(zone.zone_id, there)
        cases = [(each.zones[0], strips[id(each.design)]) for each in states]
        for each, metres in zip(states, _dead_lengths(stands, zone.zone_id, cases), strict=True):
            if metres > worst.metres:
                said = _WORDS[each.kind].format(
                    build=f"{100 * tolerances.build_m:g} cm",
                    settle=f"{100 * tolerances.settle_m:g} cm",
                    heads=f"{100 * tolerances.heads_m:g} cm",
                )
                worst = replace(worst, metres=metres, words=said)
    return worst


def _dead_lengths(stands: Perimeter, zone_id: str, cases: Sequence[tuple[Zone, Strip]]) -> list[float]:
    """Metres that let somebody through in each of the states of a zone.

    The lowest heads are computed first: in a state in which nobody gets past them, the heads above them add nothing to
    the answer. Who gets past none of several states at once would get past no single one of them.
    """

    def lengths(found: Sequence[dict[str, np.ndarray]]) -> list[float]:
        worst = {t: np.min([own[t] for own in found], axis=0) for t in found[0]}
        if stands.dead_length(zone_id, stands.dead(zone_id, worst)) == 0.0:
            return [0.0] * len(found)
        return [stands.dead_length(zone_id, stands.dead(zone_id, own)) for own in found]

    if not cases:
        return []
    lowest = stands.modulations([(replace(zone, pairs=zone.pairs[:1]), strip) for zone, strip in cases])
    metres = lengths(lowest)
    open_ = [i for i, m in enumerate(metres) if m > 0.0 and len(cases[i][0].pairs) > 1]
    if open_:
        above = stands.modulations([(replace(cases[i][0], pairs=cases[i][0].pairs[1:]), cases[i][1]) for i in open_])
        both = [{t: np.maximum(lowest[i][t], high[t]) for t in high} for i, high in zip(open_, above, strict=True)]
        for i, m in zip(open_, lengths(both), strict=True):
            metres[i] = m
    return metres
