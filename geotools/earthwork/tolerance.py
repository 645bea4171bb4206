"""What becomes of a zone as proposed where works and heads turn out within their tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

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
        cases = []
        for each in states:
            there = surface
            if works:
                there = surface.around(strip)
                there.apply(strip, each.design)
            cases.append((each.zones[0], stands.strip(zone.zone_id, there)))
        for each, own in zip(states, stands.modulations(cases), strict=True):
            metres = stands.dead_length(zone.zone_id, stands.dead(zone.zone_id, own))
            if metres > worst.metres:
                said = _WORDS[each.kind].format(
                    build=f"{100 * tolerances.build_m:g} cm",
                    settle=f"{100 * tolerances.settle_m:g} cm",
                    heads=f"{100 * tolerances.heads_m:g} cm",
                )
                worst = replace(worst, metres=metres, words=said)
    return worst
