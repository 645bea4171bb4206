"""What closes each dead spot: other head heights where those do, else the least earthwork, tested by a new run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geotools.detection.height_search import HeightTrials, height_pairs
from geotools.detection.perimeter import Perimeter, ZoneSetup
from geotools.earthwork.zones import GradeSettings, ZoneGrading
from geotools.terrain.design import DesignSurface

__all__ = ["Remedy", "Spot", "advise_zone"]


@dataclass(frozen=True)
class Spot:
    """A dead spot of one zone: chainages from the start post where one threat gets through."""

    spot_id: str
    threat: str
    from_m: float
    to_m: float


@dataclass(frozen=True)
class Remedy:
    """The answer for one spot.

    action : as the advice layer's choices. level, heights : heads to set, transmitter, receiver. grading : the zone's
    earthwork, with mine True at the cells that belong to this spot. dead_before_m, dead_after_m : length of the spot
    that lets the threat through, now and with the advice followed. proven : the model was run again and the spot was
    gone.
    """

    spot: Spot
    action: str
    proven: bool
    dead_before_m: float
    dead_after_m: float
    reason: str
    level: str | None = None
    heights: tuple[float, float] | None = None
    grading: ZoneGrading | None = None
    mine: np.ndarray | None = None


def advise_zone(
    perimeter: Perimeter,
    surface: DesignSurface,
    zone_id: str,
    spots: Sequence[Spot],
    settings: GradeSettings,
    grading: ZoneGrading,
    trials: Sequence[HeightTrials],
) -> list[Remedy]:
    """One remedy for each dead spot of a zone.

    Parameters
    ----------
    perimeter : every zone as it stands. surface : design surface without works. settings : limits of heads and earth.
    grading : the zone's least earthwork. trials : its height trials.
    """
    zone = perimeter.zones[zone_id]
    grid = perimeter.grids[zone_id]
    step = grid.line.length / (len(grid.chainage_m) - 1)
    before = perimeter.dead(zone_id)
    after = _after(perimeter, surface, grading) if grading.made is not None else before
    owner = _nearest_spot(zone, grading, spots)
    made = []
    for spot in spots:
        here = (grid.chainage_m >= spot.from_m - step / 2) & (grid.chainage_m <= spot.to_m + step / 2)
        open_now = float((before[spot.threat] & here).sum() * step)
        if open_now == 0.0:
            words = _covered(perimeter, zone_id)
            made.append(Remedy(spot, "covered", True, spot.to_m - spot.from_m, 0.0, words))
            continue
        found = _lower(trials, settings, before, spot, here)
        if found is not None:
            level, heights = found
            words = _say_heights(zone, level, heights)
            made.append(Remedy(spot, "set_heads", True, open_now, 0.0, words, level, heights))
            continue
        mine = owner == _place(spot, spots)
        made.append(_grade_remedy(spot, before[spot.threat] & here, after[spot.threat] & here, step, grading, mine))
    return made


def _lower(
    searches: Sequence[HeightTrials],
    settings: GradeSettings,
    before: Mapping[str, np.ndarray],
    spot: Spot,
    here: np.ndarray,
) -> tuple[str, tuple[float, float]] | None:
    """The smallest change of one level's heights that clears the spot and opens nothing new."""
    for search in searches:
        pair = next(p for p in search.zone.pairs if p.level == search.level)
        now = pair.tx_height_m, pair.rx_height_m
        tried = height_pairs(now, settings.height_limits[search.level])
        for first in range(0, len(tried), 8):
            batch = tried[first : first + 8]
            for heights, dead in zip(batch, search.dead(batch), strict=True):
                clears = not (dead[spot.threat] & here).any()
                if clears and not any((dead[t] & ~before[t]).any() for t in before):
                    return search.level, heights
    return None


def _after(perimeter: Perimeter, surface: DesignSurface, grading: ZoneGrading) -> dict[str, np.ndarray]:
    (zone,) = grading.zones
    trial = surface.around(grading.strip)
    trial.apply(grading.strip, grading.design)
    return perimeter.dead(zone.zone_id, perimeter.modulation(zone, perimeter.strip(zone.zone_id, trial)))


def _place(spot: Spot, spots: Sequence[Spot]) -> int:
    """Number of the first spot at the same place: other threats share its earthwork."""
    return next(i for i, s in enumerate(spots) if s.from_m <= spot.to_m and spot.from_m <= s.to_m)


def _nearest_spot(zone: ZoneSetup, grading: ZoneGrading, spots: Sequence[Spot]) -> np.ndarray:
    """For each cell the number of the spot whose earthwork it belongs to, nearest by chainage."""
    along, _ = zone.line.from_map(grading.strip.x, grading.strip.y)
    away = np.array([np.maximum(np.maximum(s.from_m - along, along - s.to_m), 0.0) for s in spots])
    same = np.array([_place(s, spots) for s in spots])
    return same[np.argmin(away, axis=0)]


def _grade_remedy(
    spot: Spot, before: np.ndarray, after: np.ndarray, step: float, grading: ZoneGrading, mine: np.ndarray
) -> Remedy:
    cut, fill, area, depth = grading.volumes(mine)
    closed = not after.any() and grading.made is not None
    if not closed:
        return Remedy(
            spot,
            "none",
            False,
            float(before.sum() * step),
            float((after if grading.made is not None else before).sum() * step),
            f"Neither head height nor grading within the limits closes it: {grading.reason}",
        )
    action = "cut" if fill < 0.05 * cut else "fill" if cut < 0.05 * fill else "grade"
    words = {
        "cut": f"Cut {cut:.1f} m3",
        "fill": f"Fill {fill:.1f} m3",
        "grade": f"Cut {cut:.1f} m3 and fill {fill:.1f} m3",
    }[action]
    (zone,) = grading.zones
    pair = zone.pairs[0]
    moved = f" with the {pair.level} heads at {pair.tx_height_m:.2f} m (transmitter) and {pair.rx_height_m:.2f} m"
    reason = (
        f"{words} over {area:.0f} m2, {depth:.2f} m at most,{moved}: no head height clears it alone, "
        "and the model run on the graded ground finds nobody getting through."
    )
    return Remedy(
        spot,
        action,
        True,
        float(before.sum() * step),
        0.0,
        reason,
        pair.level,
        (pair.tx_height_m, pair.rx_height_m),
        grading,
        mine,
    )


def _covered(perimeter: Perimeter, zone_id: str) -> str:
    near = ", ".join(perimeter.neighbours(zone_id)) or "the zone's other heads"
    return f"Nothing to do: whoever crosses here is seen by the beams of {near}, or of this zone, on the way."


def _say_heights(zone: ZoneSetup, level: str, heights: tuple[float, float]) -> str:
    pair = next(p for p in zone.pairs if p.level == level)
    now = pair.tx_height_m, pair.rx_height_m
    verb = "Lower" if sum(heights) < sum(now) else "Set"
    return (
        f"{verb} the {level} heads from {now[0]:.2f} and {now[1]:.2f} m to {heights[0]:.2f} m (transmitter) and "
        f"{heights[1]:.2f} m (receiver): a new run finds the spot closed and no other opened."
    )
