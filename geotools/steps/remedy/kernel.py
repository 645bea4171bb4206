"""What closes each dead spot: lower heads where that does, else the least earthwork; each answer tested by a new
run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.earthwork.surface import DesignSurface
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group
from geotools.scenario import Perimeter, ZoneSetup

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

    action : as the advice layer's choices. level, heights : heads to set, start and end post. grading : the zone's
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


class _Heights:
    """Dead stations of a zone for pairs of heights of one level; each pair is solved once, the other levels never
    again.
    """

    def __init__(self, perimeter: Perimeter, zone: ZoneSetup, level: str) -> None:
        self.perimeter, self.level, self.zone = perimeter, level, zone
        self.ground = perimeter.levels(zone.zone_id)
        self.pair = next(p for p in zone.pairs if p.level == level)
        rest = replace(zone, pairs=tuple(p for p in zone.pairs if p.level != level))
        self.others = perimeter.modulation(rest, self.ground) if rest.pairs else None
        self.seen: dict[tuple[float, float], dict[str, np.ndarray]] = {}

    def dead(self, pairs: Sequence[tuple[float, float]]) -> list[dict[str, np.ndarray]]:
        todo = [p for p in dict.fromkeys(pairs) if p not in self.seen]
        alone = replace(self.zone, pairs=(self.pair,))
        cases = [(alone.with_heights(self.level, *p), self.ground) for p in todo]
        for pair, moved in zip(todo, self.perimeter.modulations(cases) if cases else [], strict=True):
            rest = self.others
            own = moved if rest is None else {threat: np.maximum(m, rest[threat]) for threat, m in moved.items()}
            self.seen[pair] = self.perimeter.dead(self.zone.zone_id, own)
        return [self.seen[p] for p in pairs]


def height_pairs(
    now: tuple[float, float], limits: tuple[float, float], step_m: float = 0.05
) -> list[tuple[float, float]]:
    """Pairs of heights worth trying: both heads alike in steps over the range, then each end low, middle or high.

    Nearest to today's first within each of the two.
    """
    low, high = limits

    def near(pair: tuple[float, float]) -> tuple[float, tuple[float, float]]:
        return abs(pair[0] - now[0]) + abs(pair[1] - now[1]), pair

    count = max(int(np.ceil((high - low) / step_m - 1e-9)), 1)
    alike = [(float(h), float(h)) for h in np.round(np.linspace(low, high, min(count, 10) + 1), 3)]
    ends = [float(h) for h in np.round([low, (low + high) / 2, high], 3)]
    apart = [(a, b) for a in ends for b in ends if a != b]
    return sorted(alike, key=near) + sorted(apart, key=near)


def advise_zone(
    perimeter: Perimeter,
    surface: DesignSurface,
    zone_id: str,
    spots: Sequence[Spot],
    settings: GradeSettings,
    *,
    keep: np.ndarray | None = None,
) -> list[Remedy]:
    """One remedy for each dead spot of a zone.

    Parameters
    ----------
    perimeter : every zone as it stands. surface : design surface without works. settings : limits of heads and earth.
    keep : (rows, columns) of the surface, True where nothing may be moved.
    """
    zone = perimeter.zones[zone_id]
    grid = perimeter.grids[zone_id]
    step = grid.line.length / (len(grid.chainage_m) - 1)
    before = perimeter.dead(zone_id)
    inside = {
        s.spot_id: (grid.chainage_m >= s.from_m - step / 2) & (grid.chainage_m <= s.to_m + step / 2) for s in spots
    }
    done: dict[str, Remedy] = {}
    # a pair that cannot come down among a threat's silhouette has no say about it
    tallest = max(perimeter.rules.targets[s.threat].top_m for s in spots)
    limits = {k: v for k, v in settings.height_limits.items() if v[0] < tallest}
    searches = [_Heights(perimeter, zone, p.level) for p in zone.pairs if p.level in limits]
    left: list[Spot] = []
    for spot in spots:
        here = inside[spot.spot_id]
        open_now = float((before[spot.threat] & here).sum() * step)
        if open_now == 0.0:
            done[spot.spot_id] = Remedy(
                spot, "covered", True, spot.to_m - spot.from_m, 0.0, _covered(perimeter, zone_id, spot)
            )
            continue
        found = _lower(searches, settings, before, spot, here)
        if found is not None:
            level, heights = found
            done[spot.spot_id] = Remedy(
                spot, "lower_heads", True, open_now, 0.0, _say_heights(zone, level, heights), level, heights
            )
        else:
            left.append(spot)
    if left:
        wanted = np.any([inside[s.spot_id] for s in left], axis=0)
        grading = grade_group(perimeter, surface, [zone], settings, keep=keep, only={zone_id: wanted})
        after = _after(perimeter, surface, grading)
        owner = _nearest_spot(zone, grading, left)
        for spot in left:
            here = inside[spot.spot_id]
            mine = owner == _place(spot, left)
            done[spot.spot_id] = _grade_remedy(
                spot, before[spot.threat] & here, after[spot.threat] & here, step, grading, mine
            )
    return [done[s.spot_id] for s in spots]


def _lower(
    searches: Sequence[_Heights],
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
    return perimeter.dead(zone.zone_id, perimeter.modulation(zone, perimeter.levels(zone.zone_id, trial)))


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


def _covered(perimeter: Perimeter, zone_id: str, spot: Spot) -> str:
    near = ", ".join(perimeter.neighbours(zone_id)) or "the zone's other heads"
    return f"Nothing to do: a straight crossing here is seen by the beams of {near} or of the zone itself."


def _say_heights(zone: ZoneSetup, level: str, heights: tuple[float, float]) -> str:
    pair = next(p for p in zone.pairs if p.level == level)
    now = pair.tx_height_m, pair.rx_height_m
    verb = "Lower" if sum(heights) < sum(now) else "Set"
    return (
        f"{verb} the {level} heads from {now[0]:.2f} and {now[1]:.2f} m to {heights[0]:.2f} m (transmitter) and "
        f"{heights[1]:.2f} m (receiver): a new run finds the spot closed and no other opened."
    )
