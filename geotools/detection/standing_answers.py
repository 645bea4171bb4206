"""What is asked of zones as they stand beside who gets through: in a missed dip, of the level, in tall grass.

All of it hangs on fields that are the same: heads and ground as they are. Asked together, they are solved once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geotools.beam.response import StripResponse
from geotools.detection.cases import Case
from geotools.detection.hidden import DEEP_ENOUGH_M, dip_case, hidden_depth
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns

__all__ = ["StandingAnswers", "StandingQuestions", "standing_answers"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class StandingAnswers:
    """Of one zone with n chainages and k offsets.

    Attributes
    ----------
    dip_m : float
        How deep a dip could be that its survey missed, m.
    in_dip : mapping of str to (n, k) array, or None
        Modulation with every body that much lower, by threat; None where no dip is deep enough to matter.
    levels : list of StripResponse
        What each pair of heads gives, with the received level; empty where that law is left out.
    in_grass : (threats, n, k) array, or None
        Modulation in taller grass; None where that is not asked.
    """

    dip_m: float
    in_dip: Mapping[str, Floats] | None = None
    levels: list[StripResponse] = field(default_factory=list)
    in_grass: Floats | None = None


@dataclass(frozen=True)
class StandingQuestions:
    """The same as questions, to be solved together with whatever else is asked of the zones as they stand.

    Attributes
    ----------
    dip_m : dict of str to float
        How deep a dip could be that a zone's survey missed, m; by every zone in question.
    cases : dict of (str, str) to Case
        By zone and what is asked: ``dip``, ``level`` or ``grass``.
    """

    dip_m: dict[str, float]
    cases: dict[tuple[str, str], Case]

    @classmethod
    def of(
        cls, perimeter: Perimeter, zone_ids: Sequence[str], unknowns: Unknowns, grass_m: float | None = None
    ) -> StandingQuestions:
        """Parameters as of :func:`standing_answers`; nothing is solved."""
        depths = {z: 0.0 if unknowns.hidden is None else hidden_depth(perimeter, z, unknowns.hidden) for z in zone_ids}
        cases: dict[tuple[str, str], Case] = {}
        for zone_id, depth in depths.items():
            zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
            if depth > DEEP_ENOUGH_M:
                cases[zone_id, "dip"] = dip_case(perimeter, zone_id, depth)
            if unknowns.envelope is not None:
                cases[zone_id, "level"] = Case(zone, strip, level=True)
            if grass_m is not None:
                cases[zone_id, "grass"] = Case(zone, strip, grass_m=grass_m)
        return cls(depths, cases)

    def answers(
        self, perimeter: Perimeter, found: Mapping[tuple[str, str], list[StripResponse]]
    ) -> dict[str, StandingAnswers]:
        """Answers by zone; ``found`` : what the heads give in each of the cases."""
        best = {key: perimeter.best_of(self.cases[key], one) for key, one in found.items() if key[1] != "level"}
        return {
            z: StandingAnswers(
                depth,
                dict(zip(perimeter.rules.targets, best[z, "dip"], strict=True)) if (z, "dip") in best else None,
                found.get((z, "level"), []),
                best.get((z, "grass")),
            )
            for z, depth in self.dip_m.items()
        }


def standing_answers(
    perimeter: Perimeter, zone_ids: Sequence[str], unknowns: Unknowns, grass_m: float | None = None
) -> dict[str, StandingAnswers]:
    """Answers of zones as they stand, by zone; solved together.

    Parameters
    ----------
    perimeter : Perimeter
        With the zones.
    zone_ids : sequence of str
        Zones in question: few enough that their levels may be held at once.
    unknowns : Unknowns
        Says whether dips are missed and whether the level is requested.
    grass_m : float, optional
        Height of the taller grass, m.
    """
    asked = StandingQuestions.of(perimeter, zone_ids, unknowns, grass_m)
    return asked.answers(
        perimeter, dict(zip(asked.cases, perimeter.responses(list(asked.cases.values())), strict=True))
    )
