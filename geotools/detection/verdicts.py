"""A verdict for every station of a zone.

``detected`` is earned: detected by the best estimate and in at least 95 % of the worlds that what is not known exactly
allows, under both of the receiver's laws. ``unproven`` is what is detected by the best estimate alone, ``undetected``
what a crossing without an alarm exists for, ``no_beam`` what no zone covers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from geotools.beam.response import StripResponse
from geotools.detection.envelope import LevelRange, crossable_within, swept
from geotools.detection.hidden import open_in_a_hidden_dip
from geotools.detection.perimeter import Perimeter
from geotools.detection.second_opinion import open_in_3d, rows_in_question
from geotools.detection.standing_answers import StandingAnswers, standing_answers
from geotools.detection.unknowns import Drawing, Unknowns

__all__ = ["CONFIDENCE", "VERDICTS", "StationVerdicts", "ZoneVerdicts", "judge_stations"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

VERDICTS = ("detected", "unproven", "undetected", "no_beam")
#: Share of the worlds in which a place must be detected.
CONFIDENCE = 0.95
#: Worlds that every zone is tried in; a zone that keeps this much over the threshold in all of them is tried no more.
_FIRST, _AMPLE = 8, 0.5


@dataclass(frozen=True)
class StationVerdicts:
    """What is said of one zone and threat at each of its n chainages.

    Attributes
    ----------
    dead : (n,) bool
        Somebody crosses here by the best estimate.
    open_share : (n,) array
        Share of the worlds in which somebody crosses here.
    law : (n,) bool
        Somebody crosses here without moving the received level by as much as its threshold; not asked where ``dead``.
    known : bool
        Whether the survey's accuracy is stated, so that a share means anything.
    missed : (n,) bool
        Somebody crosses here if a dip lies here that the survey could have missed.
    missed_m : float
        How deep such a dip could be, m.
    beside : (n,) bool, or None
        Somebody crosses here by the field in three dimensions; None where that was not computed.
    answered : (n,) bool, or None
        Whether the ground of the zone and of what it meets here is known, so that anything may be said; None for all.
    """

    dead: Flags
    open_share: Floats
    law: Flags
    known: bool
    missed: Flags
    missed_m: float = 0.0
    beside: Flags | None = None
    answered: Flags | None = None

    @classmethod
    def unanswered(cls, count: int) -> StationVerdicts:
        """Of a zone whose ground is not known: nothing may be said of any of its stations."""
        none = np.zeros(count, bool)
        return cls(none, np.zeros(count), none, False, none, answered=none)

    def detected(self) -> Flags:
        """Stations that count as detected, (n,)."""
        sure = self.open_share <= 1.0 - CONFIDENCE
        agreed = True if self.beside is None else ~self.beside
        agreed = agreed if self.answered is None else agreed & self.answered
        return np.asarray(self.known & ~self.dead & ~self.missed & sure & ~self.law & agreed)

    def verdict(self, row: int) -> tuple[str, float | None, str]:
        """Verdict, confidence and cause at a station."""
        share = float(self.open_share[row])
        if self.answered is not None and not self.answered[row]:
            return "unproven", None, "no_ground"
        if self.dead[row]:
            return "undetected", max(share, 0.5) if self.known else None, ""
        if not self.known:
            return "unproven", None, "survey_unstated"
        if self.missed[row]:
            return "unproven", 1.0 - share, "survey_spacing"
        if share > 1.0 - CONFIDENCE:
            return "unproven", 1.0 - share, "not_known_exactly"
        if self.beside is not None and self.beside[row]:
            return "unproven", 1.0 - share, "field_3d"
        if self.law[row]:
            return "unproven", 1.0 - share, "receiver_law"
        return "detected", 1.0 - share, ""


@dataclass(frozen=True)
class ZoneVerdicts:
    """Verdicts of one zone.

    Attributes
    ----------
    stations : dict of str to StationVerdicts
        By threat.
    worlds : list of mapping of str to (n, k) array
        Modulation of its own heads in the worlds that were drawn.
    dead_in : list of mapping of str to (n,) bool
        Stations that are crossed in each of them.
    ample : bool
        The first worlds left so much in hand that no more were drawn.
    line_error_m : (worlds, n) array
        The survey's error under the beam line in each of the worlds, m; none where the ground is proposed.
    """

    stations: dict[str, StationVerdicts]
    worlds: list[Mapping[str, Floats]]
    dead_in: list[Mapping[str, Flags]]
    ample: bool
    line_error_m: Floats


def judge_stations(
    perimeter: Perimeter,
    zone_id: str,
    unknowns: Unknowns,
    field: str = "2d",
    standing: StandingAnswers | None = None,
) -> ZoneVerdicts:
    """Verdicts of a zone's stations; neighbours as they stand.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_id : str
        The zone.
    unknowns : Unknowns
        What is not known exactly.
    field : str
        Where the field in three dimensions is solved too: ``2d`` nowhere, ``3d`` everywhere, ``auto`` where the ground
        beside the beam may decide.
    standing : StandingAnswers, optional
        Of the zone, where they are solved with those of others; solved here if not given.
    """
    dead = perimeter.dead(zone_id)
    answered = ~perimeter.unanswered(zone_id) if perimeter.silent else None
    if unknowns.draws == 0:
        nothing = {
            t: StationVerdicts(f, np.zeros(f.size), np.zeros_like(f), False, np.zeros_like(f), answered=answered)
            for t, f in dead.items()
        }
        return ZoneVerdicts(nothing, [], [], True, np.zeros((0, perimeter.grids[zone_id].chainage_m.size)))
    asked = rows_in_question(perimeter, zone_id, field)
    beside = open_in_3d(perimeter, zone_id, asked) if asked.any() else {}
    if standing is None:
        standing = standing_answers(perimeter, [zone_id], unknowns)[zone_id]
    missed_m, low = standing.dip_m, standing.in_dip
    missed = {} if low is None else open_in_a_hidden_dip(perimeter, zone_id, missed_m, low)
    drawing = Drawing(perimeter, zone_id, unknowns)
    owns, errors = drawing.worlds(range(min(_FIRST, unknowns.draws)))
    ample = not any(flags.any() for own in owns for flags in perimeter.dead(zone_id, own, headroom=_AMPLE).values())
    if not ample and unknowns.draws > _FIRST:
        more, further = drawing.worlds(range(_FIRST, unknowns.draws))
        owns, errors = owns + more, np.concatenate([errors, further])
    tried: list[Mapping[str, Flags]] = [perimeter.dead(zone_id, own) for own in owns]
    # however much of the field's modulation is in hand: the rise and fall of a level can be half of it
    law = _within_envelope(perimeter, zone_id, unknowns.envelope, standing.levels, dead)
    stations = {
        threat: StationVerdicts(
            flags,
            np.mean([one[threat] for one in tried], axis=0),
            law.get(threat, np.zeros_like(flags)),
            unknowns.survey is not None,
            missed.get(threat, np.zeros_like(flags)),
            missed_m,
            beside.get(threat),
            answered,
        )
        for threat, flags in dead.items()
    }
    return ZoneVerdicts(stations, owns, tried, ample, errors)


def _within_envelope(
    perimeter: Perimeter,
    zone_id: str,
    threshold: float | None,
    found: Sequence[StripResponse],
    dead: Mapping[str, Flags],
) -> dict[str, Flags]:
    """Stations that are crossed without moving any receiver's level by the threshold, but for dead ones, by threat."""
    if threshold is None:
        return {}
    grid = perimeter.grids[zone_id]
    cover = perimeter.cover(zone_id)
    answer = {}
    for number, threat in enumerate(perimeter.rules.targets):
        beams = [_range(one, number, grid.spacing_m) for one in found if one.level is not None]
        if not beams:
            continue
        # where a neighbour's beam detects, no way leads on
        free = cover[threat] < perimeter.rules.threshold
        over = partial(perimeter.crossed_over, zone_id, number)
        steppable = partial(perimeter.steppable, zone_id)
        answer[threat] = crossable_within(
            beams, threshold, over, open_nodes=free, steppable=steppable, settled=dead[threat]
        )
    return answer


def _range(one: StripResponse, number: int, spacing_m: tuple[float, float]) -> LevelRange:
    assert one.level is not None
    return swept(one.level[number], one.quiet_level, spacing_m)
