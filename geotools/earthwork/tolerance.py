"""What becomes of a zone as proposed where works and heads turn out within their tolerances."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.beam.strip import Strip
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.demand import Modulation
from geotools.earthwork.disturb import State, edge_states
from geotools.earthwork.zone_grading import GradeSettings
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, StripCells

__all__ = ["Loose", "Withstood", "worst_in_tolerance"]

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


class Withstood:
    """What zones' own heads give at worst over all states at the edge of tolerance, for zones that held in all of them.

    Known by the content of what a zone's states are made from. Beside other neighbours, nobody who gets past none of
    the states at once gets past a single one of them: none has to be solved again then.
    """

    def __init__(self) -> None:
        self._last: dict[str, tuple[bytes, Modulation]] = {}

    def get(self, zone_id: str, key: bytes) -> Modulation | None:
        """(n, k) by threat, None where it is not known."""
        known = self._last.get(zone_id)
        return known[1] if known is not None and known[0] == key else None

    def put(self, zone_id: str, key: bytes, least: Modulation) -> None:
        """Keep what a zone withstood, in place of what it did last."""
        self._last[zone_id] = key, least


def worst_in_tolerance(
    stands: Perimeter,
    surface: DesignSurface,
    zones: Sequence[Zone],
    settings: GradeSettings,
    draws: int | None = None,
    *,
    withstood: Withstood | None = None,
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
    withstood : Withstood, optional
        What zones withstood before; added to.
    """
    worst = Loose()
    tolerances, draws = settings.tolerances, settings.draws if draws is None else draws
    before = Withstood() if withstood is None else withstood
    for zone in zones:
        strip = surface.blank().strip_cells({zone.zone_id: zone.line}, settings.reach_m)
        change = surface.change_at(strip.x, strip.y)
        key = _content(stands, zone, strip, change, repr((draws, tolerances)))
        held = before.get(zone.zone_id, key)
        if held is not None and not _dead_length(stands, zone.zone_id, held):
            continue
        works = bool((np.abs(change) > _NOTHING_M).any())
        state = State((zone,), strip, strip.cells.ground + change)
        states = edge_states(state, draws, tolerances)
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
        lengths, least = _dead_lengths(stands, zone.zone_id, cases)
        if least is not None and not any(lengths):
            before.put(zone.zone_id, key, least)
        for each, metres in zip(states, lengths, strict=True):
            if metres > worst.metres:
                said = _WORDS[each.kind].format(
                    build=f"{100 * tolerances.build_m:g} cm",
                    settle=f"{100 * tolerances.settle_m:g} cm",
                    heads=f"{100 * tolerances.heads_m:g} cm",
                )
                worst = replace(worst, metres=metres, words=said)
    return worst


def _content(stands: Perimeter, zone: Zone, strip: StripCells, change: np.ndarray, how: str) -> bytes:
    """Digest of all that the states of a zone are made from: heads, ground, works, tolerances."""
    ground = stands.strip(zone.zone_id)
    made = hashlib.blake2b(f"{zone} {how}".encode(), digest_size=16)
    parts = [strip.x, strip.y, strip.cells.ground, change, ground.ground_m, *(ground.line_detail_m or ())]
    for part in parts if ground.drop_m is None else [*parts, ground.drop_m]:
        # shape too: two arrays one after the other are not the same two cut elsewhere
        made.update(repr(part.shape).encode())
        made.update(np.ascontiguousarray(part).data)
    return made.digest()


def _dead_length(stands: Perimeter, zone_id: str, own: Modulation) -> float:
    return stands.dead_length(zone_id, stands.dead(zone_id, own))


def _dead_lengths(
    stands: Perimeter, zone_id: str, cases: Sequence[tuple[Zone, Strip]]
) -> tuple[list[float], Modulation | None]:
    """Metres that let somebody through in each of the states of a zone, and the least that its heads give in any.

    The lowest heads are computed first: in a state in which nobody gets past them, the heads above them add nothing to
    the answer. Who gets past none of several states at once would get past no single one of them.
    """
    if not cases:
        return [], None
    found = stands.modulations([(replace(zone, pairs=zone.pairs[:1]), strip) for zone, strip in cases])
    least = _least(found)
    if not _dead_length(stands, zone_id, least):
        return [0.0] * len(cases), least
    metres = [_dead_length(stands, zone_id, own) for own in found]
    open_ = [i for i, m in enumerate(metres) if m > 0.0 and len(cases[i][0].pairs) > 1]
    if open_:
        above = stands.modulations([(replace(cases[i][0], pairs=cases[i][0].pairs[1:]), cases[i][1]) for i in open_])
        for i, high in zip(open_, above, strict=True):
            found[i] = {t: np.maximum(low, high[t]) for t, low in found[i].items()}
        closed = not _dead_length(stands, zone_id, _least([found[i] for i in open_]))
        for i in open_:
            metres[i] = 0.0 if closed else _dead_length(stands, zone_id, found[i])
    return metres, _least(found)


def _least(found: Sequence[Modulation]) -> Modulation:
    return {threat: np.min([own[threat] for own in found], axis=0) for threat in found[0]}
