"""What is done about each dead spot, from what is recommended for its zone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.detection.cases import length_of
from geotools.plan.model import DeadSpot, Zone
from geotools.steps.remedy.joint import JointDesign
from geotools.steps.remedy.option import Option

__all__ = ["Advice", "advise_zone"]

_ACTIONS = {
    "set_heads": "set_heads",
    "add_low_heads": "add_heads",
    "add_main_heads": "add_heads",
    "add_top_heads": "add_heads",
    "move_line": "move",
    "split": "split",
    "split_and_grade": "split",
}


@dataclass(frozen=True)
class Advice:
    """The answer for one spot.

    Attributes
    ----------
    spot : DeadSpot
        The spot.
    action : str
        As the advice layer's choices.
    dead_before_m, dead_after_m : float
        Length of the spot on which the threat is not detected, now and in the proposed state.
    mine : (cells,) bool or None
        Cells of the zone's earthwork that belong to this spot.
    volumes : tuple or None
        Cut m3, fill m3, worked area m2, greatest depth m of those cells.
    """

    spot: DeadSpot
    action: str
    dead_before_m: float
    dead_after_m: float
    mine: npt.NDArray[np.bool_] | None = None
    volumes: tuple[float, float, float, float] | None = None


def advise_zone(
    zone: Zone,
    spots: Sequence[DeadSpot],
    before: dict[str, npt.NDArray[np.bool_]],
    best: Option | None,
    joint: JointDesign,
) -> list[Advice]:
    """One piece of advice for each dead spot of a zone.

    Parameters
    ----------
    zone : Zone
        As it stands.
    spots : sequence of DeadSpot
        Its dead spots.
    before : dict of str to (n,) bool
        Its dead stations as it stands, by threat.
    best : Option or None
        What is recommended for it, with the figures of the whole design.
    joint : JointDesign
        The whole design.
    """
    grid_before = joint.final.grids.get(zone.zone_id)
    made = []
    for spot in spots:
        chainage = np.linspace(0.0, zone.line.length, len(before[spot.threat]))
        step = float(chainage[1] - chainage[0])
        here = (chainage >= spot.from_m - step / 2) & (chainage <= spot.to_m + step / 2)
        open_now = length_of(before[spot.threat] & here, chainage)
        if open_now == 0.0:
            made.append(Advice(spot, "nothing_to_do", 0.0, 0.0))
            continue
        if best is None:
            made.append(Advice(spot, "none", open_now, open_now))
            continue
        if grid_before is not None:
            left = length_of(joint.final.dead(zone.zone_id)[spot.threat] & here, chainage)
        else:  # split: its parts answer for it
            left = joint.dead_length(zone.zone_id)
        if best.grading is None:
            made.append(Advice(spot, _ACTIONS[best.name], open_now, left))
            continue
        own = best.grading.own(zone.zone_id)
        mine = own & (_nearest_spot(zone, best, spots) == _place(spot, spots))
        volumes = best.grading.volumes(mine)
        cut, fill = volumes[:2]
        action = "cut" if fill < 0.05 * cut else "fill" if cut < 0.05 * fill else "grade"
        made.append(Advice(spot, action, open_now, left, mine, volumes))
    return made


def _place(spot: DeadSpot, spots: Sequence[DeadSpot]) -> int:
    """Number of the first spot at the same place: other threats share its earthwork."""
    return next(i for i, s in enumerate(spots) if s.from_m <= spot.to_m and spot.from_m <= s.to_m)


def _nearest_spot(zone: Zone, best: Option, spots: Sequence[DeadSpot]) -> npt.NDArray[np.intp]:
    """For each cell the number of the spot whose earthwork it belongs to, nearest by chainage."""
    assert best.grading is not None
    along, _ = zone.line.from_map(best.grading.strip.x, best.grading.strip.y)
    away = np.array([np.maximum(np.maximum(s.from_m - along, along - s.to_m), 0.0) for s in spots])
    same = np.array([_place(s, spots) for s in spots])
    return np.asarray(same[np.argmin(away, axis=0)], dtype=np.intp)
