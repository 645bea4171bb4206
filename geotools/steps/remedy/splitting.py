"""Shorter zones in place of one: posts between its ends, searched over all places for the least dead length."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geotools.detection.cases import length_of
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import Zone
from geotools.plan.moving import parts_of

__all__ = ["SplitLimits", "Splitting", "shorter_zones"]

#: Places for a post that are looked at in one zone, at most, and their least spacing, m.
_PLACES, _APART_M = 14, 5.0
#: So many parts more are offered beyond those that leave nothing, in case ways wind past their posts.
_FURTHER = 2
#: A dead length below this is none: half of a node's share, m.
_NONE_M = 1e-9


@dataclass(frozen=True)
class SplitLimits:
    """What the parts of a zone must keep.

    overlap_m : by which two parts run past their common place. shortest_m : of a part, from place to place.
    """

    overlap_m: float
    shortest_m: float


@dataclass(frozen=True)
class Splitting:
    """One zone cut into parts, in the order of its own chainage.

    cuts : chainages where parts meet, m. parts : the zones. dead_m : what each leaves between its cuts by itself.
    """

    cuts: tuple[float, ...]
    parts: tuple[Zone, ...]
    dead_m: float


def shorter_zones(perimeter: Perimeter, zone_id: str, limits: SplitLimits) -> list[Splitting]:
    """For each number of parts the places that leave the least dead length, fewest parts first.

    Each stretch between two places is solved by itself, with the overlap at its ends that its neighbours share: what
    it leaves between the places is what the parts together would leave, but for ways that wind past a post. So the
    search is exact over its places (shortest path, one more part a round), and whoever takes a splitting has it
    solved whole.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands.
    zone_id : str
        The zone.
    limits : SplitLimits
        What parts must keep.
    """
    zone = perimeter.zones[zone_id]
    places = _places(perimeter, zone, limits.shortest_m)
    last = len(places) - 1
    if last < 2:
        return []
    dead = np.full((last + 1, last + 1), np.inf)

    def solve(spans: Iterable[tuple[int, int]]) -> None:
        wanted = list(spans)
        stretches = [(float(places[i]), float(places[j])) for i, j in wanted]
        for (i, j), left in zip(wanted, _left_open(perimeter, zone, stretches, limits.overlap_m / 2), strict=True):
            dead[i, j] = left

    every = list(_spans(places, limits.shortest_m))
    # two parts need the stretches from one end or the other alone
    solve(span for span in every if span[0] == 0 or span[1] == last)
    two = dead[0] + dead[:, last]
    if two.min() > _NONE_M:
        solve(span for span in every if span[0] > 0 and span[1] < last)
    found: list[Splitting] = []
    clear, least, reach = 0, float(dead[0, last]), dead[0].copy()
    back: list[npt.NDArray[np.intp]] = []
    for _ in range(2, last + 1):
        through = reach[:, None] + dead
        back.append(np.argmin(through, axis=0))
        reach = through.min(axis=0)
        if reach[last] < least - _NONE_M or (clear and np.isfinite(reach[last])):
            least = float(reach[last])
            cuts = _way_back(places, back)
            found.append(Splitting(cuts, parts_of(zone, cuts, limits.overlap_m / 2), least))
        clear += least <= _NONE_M
        if clear > _FURTHER:
            break
    return found


def _places(perimeter: Perimeter, zone: Zone, shortest_m: float) -> npt.NDArray[np.float64]:
    """Both ends, and between them the highest ground of each of many equal stretches above the line of sight."""
    at = perimeter.grids[zone.zone_id].chainage_m
    level = perimeter.levels(zone.zone_id)
    middle = level[:, level.shape[1] // 2]
    above = middle - (middle[0] + at / at[-1] * (middle[-1] - middle[0]))
    room = at[-1] - 2 * shortest_m
    if room < 0:
        return np.array([0.0, at[-1]])
    count = max(min(_PLACES, int(room / _APART_M)), 1)
    edges = np.linspace(shortest_m, at[-1] - shortest_m, count + 1)
    chosen = []
    for low, high in pairwise(edges):
        here = np.flatnonzero((at >= low - 1e-9) & (at <= high + 1e-9))
        if len(here):
            chosen.append(float(at[here[np.argmax(above[here])]]))
    return np.unique(np.r_[0.0, chosen, at[-1]])


def _spans(places: npt.NDArray[np.float64], shortest_m: float) -> Iterator[tuple[int, int]]:
    for i in range(len(places)):
        for j in range(i + 1, len(places)):
            if places[j] - places[i] >= shortest_m - 1e-9:
                yield i, j


def _left_open(
    perimeter: Perimeter, zone: Zone, spans: Sequence[tuple[float, float]], reach_m: float
) -> Iterator[float]:
    """Metres between two places that let somebody through where one pair of posts stands about them, alone.

    For each span, (from, to) chainages; the beams of all are solved in one go.
    """
    parts = [parts_of(zone, (), reach_m, span)[0] for span in spans]
    alone = [Perimeter([part], perimeter.ground, perimeter.rules) for part in parts]
    cases = [(part, one.strip(part.zone_id)) for part, one in zip(parts, alone, strict=True)]
    if alone:
        alone[0].take_over(perimeter)  # to be solved where the perimeter's own beams are
    solved = alone[0].modulations(cases) if alone else []
    for span, part, one, own in zip(spans, parts, alone, solved, strict=True):
        one.hold(part.zone_id, own)
        at = one.grids[part.zone_id].chainage_m
        start = min(reach_m, span[0])
        core = (at >= start - 1e-9) & (at <= start + span[1] - span[0] + 1e-9)
        open_ = np.any(list(one.dead(part.zone_id).values()), axis=0)
        yield length_of(open_ & core, at)


def _way_back(places: npt.NDArray[np.float64], back: list[npt.NDArray[np.intp]]) -> tuple[float, ...]:
    at, cuts = len(places) - 1, []
    for before in reversed(back):
        at = int(before[at])
        cuts.append(float(places[at]))
    return tuple(reversed(cuts))
