"""What the heads of a perimeter detect, for any head heights on any ground: the question every remedy is tested by.

A zone is a straight strip between two posts with one or more pairs of heads. Somebody crosses it on any way from one
edge to the other, on the ground; the crossing is detected where the modulation that any pair of heads of this zone,
or of a neighbour that reaches the place, gives anywhere on the way comes up to the threshold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from shapely import STRtree

from geotools.beam import HeadType, Target
from geotools.beam.response import ResponseRequest
from geotools.beam.strip import Strip, crossable
from geotools.corridor import BeamLine, StripGrid
from geotools.engine.batching import Batching
from geotools.errors import InputError
from geotools.terrain.design import DesignSurface, Ground

__all__ = ["HeadPair", "Perimeter", "Rules", "ZoneSetup", "straight_ground", "strip_nodes"]

Array = npt.NDArray[np.float64]
T = TypeVar("T")
R = TypeVar("R")

#: A neighbour takes over near an end of a zone, within this share of its length, or it does not follow it at all.
_END_SHARE = 0.45
#: Widest spacing of nodes across the strip, m: half the width of the narrowest body, so that none slips between.
_ACROSS_M = 0.25


@dataclass(frozen=True)
class HeadPair:
    """One level of a zone's stack: heights of the heads of transmitter and receiver, above their own ground."""

    level: str
    head_type: HeadType
    tx_height_m: float
    rx_height_m: float


@dataclass(frozen=True)
class ZoneSetup:
    """One zone: its line from transmitter to receiver post and its pairs of heads, lowest first."""

    zone_id: str
    line: BeamLine
    pairs: tuple[HeadPair, ...]

    def with_heights(self, level: str, tx_height_m: float, rx_height_m: float) -> ZoneSetup:
        """The same zone with the heads of one level set to other heights."""
        return replace(
            self,
            pairs=tuple(
                replace(p, tx_height_m=tx_height_m, rx_height_m=rx_height_m) if p.level == level else p
                for p in self.pairs
            ),
        )

    def with_pair(self, pair: HeadPair) -> ZoneSetup:
        """The same zone with one more pair of heads."""
        return replace(self, pairs=tuple(sorted((*self.pairs, pair), key=lambda p: p.tx_height_m)))


@dataclass(frozen=True)
class Rules:
    """When somebody is detected, and how finely that is looked at. grass_m : height of grass that hides a crawler."""

    threshold: float
    half_width_m: float
    spacing_m: float
    targets: Mapping[str, Target]
    grass_m: float = 0.0


def strip_nodes(line: BeamLine, half_width_m: float, spacing_m: float) -> tuple[Array, Array]:
    """Chainages and offsets of a strip's nodes; the offsets symmetric with the beam line among them."""
    n = max(int(np.ceil(line.length / spacing_m - 1e-9)), 2) + 1
    half = max(int(np.ceil(half_width_m / min(spacing_m, _ACROSS_M) - 1e-9)), 1)
    return np.linspace(0.0, line.length, n), np.linspace(-half_width_m, half_width_m, 2 * half + 1)


def straight_ground(grid: StripGrid, level: Array) -> Array:
    """The ground of a strip as it would be if it were straight from post to post and level across, (n, k)."""
    middle = level[:, level.shape[1] // 2]
    share = grid.chainage_m / grid.chainage_m[-1]
    return np.broadcast_to((middle[0] + share * (middle[-1] - middle[0]))[:, None], level.shape)


class Perimeter:
    """Every zone of a site on one ground, with what its own heads give each place of its strip kept ready."""

    def __init__(self, zones: Sequence[ZoneSetup], ground: Ground, rules: Rules) -> None:
        self.zones = {zone.zone_id: zone for zone in zones}
        self.ground = ground
        self.rules = rules
        self.grids = {
            z.zone_id: StripGrid(z.line, *strip_nodes(z.line, rules.half_width_m, rules.spacing_m)) for z in zones
        }
        self._own: dict[str, dict[str, Array]] = {}
        self._cover: dict[str, dict[str, Array]] = {}
        self._levels: dict[str, Array] = {}
        self._near: dict[str, list[str]] = {}
        self._counted: dict[str, npt.NDArray[np.bool_]] = {}
        self._meeting = Batching()
        self.standing_db: dict[tuple[str, str], float] = {}

    def take_over(self, other: Perimeter) -> None:
        """Keep what another perimeter has solved of the same zones, where ground and rules are the same too.

        What is asked within the other's :meth:`together` is solved there.
        """
        self._meeting = other._meeting
        if other.ground is self.ground and other.rules == self.rules:
            self._own.update({z: own for z, own in other._own.items() if self.zones.get(z) == other.zones[z]})

    def check_ground(self) -> None:
        """InputError where a strip has places without a level, naming the zone and the place."""
        for zone_id, grid in self.grids.items():
            level = self.levels(zone_id)
            if not np.isfinite(level).all():
                i, j = np.argwhere(~np.isfinite(level))[0]
                raise InputError(
                    "the ground under a beam's strip has no level",
                    where=f"zone {zone_id}, chainage {grid.chainage_m[i]:.1f} m, offset {grid.offset_m[j]:+.1f} m",
                    found=f"{int((~np.isfinite(level)).sum())} of {level.size} places",
                    expected="levels over the whole strip",
                    mend="use a surface that covers the corridor, or move the zone",
                )

    def neighbours(self, zone_id: str) -> list[str]:
        """Zones whose strip meets this one's, by name."""
        if not self._near:
            half = self.rules.half_width_m
            names = np.array(list(self.zones))
            areas = [z.line.rectangle(0.0, z.line.length, half) for z in self.zones.values()]
            mine, other = STRtree(areas).query(areas, predicate="intersects")
            for k, name in enumerate(names):
                self._near[name] = sorted(names[other[(mine == k) & (other != k)]].tolist())
        return self._near[zone_id]

    def levels(self, zone_id: str, ground: Ground | None = None) -> Array:
        """Ground of the zone's strip, (chainages, offsets); the perimeter's own ground is sampled once."""
        if isinstance(ground, DesignSurface) and ground.terrain is self.ground:
            return self.levels(zone_id) + ground.change_at(*self.grids[zone_id].map_xy())
        if ground is not None:
            return ground.sample(*self.grids[zone_id].map_xy())
        if zone_id not in self._levels:
            self._levels[zone_id] = self.ground.sample(*self.grids[zone_id].map_xy())
        return self._levels[zone_id]

    def modulation(self, zone: ZoneSetup, level: Array) -> dict[str, Array]:
        """Best modulation of each threat over the zone's own heads, at every node of its strip.

        level : (n, k) ground of the strip, whose middle column lies under the beam.
        """
        return self.modulations([(zone, level)])[0]

    def modulations(self, cases: Sequence[tuple[ZoneSetup, Array]]) -> list[dict[str, Array]]:
        """`modulation` of several cases in one go; the solver shares its transforms among them."""
        silhouettes = tuple((target, self.rules.grass_m) for target in self.rules.targets.values())
        asked, owner = [], []
        for number, (zone, level) in enumerate(cases):
            grid = self.grids[zone.zone_id]
            strip = Strip(grid.chainage_m, grid.offset_m, level)
            for pair in zone.pairs:
                beam = strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m)
                asked.append((beam, ResponseRequest(strip, silhouettes)))
                owner.append((number, pair.level))
        best: list[dict[str, Array]] = [{} for _ in cases]
        for (number, name), seen in zip(owner, self._meeting.look_at(asked), strict=True):
            self.standing_db[cases[number][0].zone_id, name] = seen.standing_level_db
            so_far = best[number]
            for threat, m in zip(self.rules.targets, seen.modulation, strict=True):
                so_far[threat] = np.maximum(so_far[threat], m) if threat in so_far else m
        return best

    def together(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every zone or group of zones, in order, several at once; their beams are solved in one go."""
        return self._meeting.map(work, items)

    def own(self, zone_id: str) -> dict[str, Array]:
        """`modulation` of a zone as it stands, solved once."""
        if zone_id not in self._own:
            self._own[zone_id] = self.modulation(self.zones[zone_id], self.levels(zone_id))
        return self._own[zone_id]

    def solve_all(self, batch: int = 24) -> None:
        """Solve every zone as it stands, several at a time."""
        todo = [z for z in self.zones if z not in self._own]
        for start in range(0, len(todo), batch):
            part = todo[start : start + batch]
            made = self.modulations([(self.zones[z], self.levels(z)) for z in part])
            self._own.update(zip(part, made, strict=True))

    def cover(self, zone_id: str) -> dict[str, Array]:
        """What the neighbours' heads give at the nodes of this zone's strip, 0 where none reaches."""
        if zone_id not in self._cover:
            self._cover[zone_id] = self._covered(zone_id)
        return self._cover[zone_id]

    def _covered(self, zone_id: str) -> dict[str, Array]:
        x, y = self.grids[zone_id].map_xy()
        best = {threat: np.zeros(x.shape) for threat in self.rules.targets}
        for other in self.neighbours(zone_id):
            grid = self.grids[other]
            along, off = grid.line.from_map(x, y)
            at = np.array(
                [
                    along / grid.line.length * (len(grid.chainage_m) - 1),
                    (off - grid.offset_m[0]) / (grid.offset_m[-1] - grid.offset_m[0]) * (len(grid.offset_m) - 1),
                ]
            )
            for threat, m in self.own(other).items():
                best[threat] = np.maximum(best[threat], map_coordinates(m, at, order=1, mode="constant"))
        return best

    def seen(self, zone_id: str, own: dict[str, Array] | None = None) -> dict[str, Array]:
        """Best modulation at every node of a zone's strip, neighbours' heads included.

        own : modulation of the zone's own heads in the case to be tried; as it stands if not given.
        """
        own = own or self.own(zone_id)
        cover = self.cover(zone_id)
        return {threat: np.maximum(m, cover[threat]) for threat, m in own.items()}

    def counted(self, zone_id: str) -> npt.NDArray[np.bool_]:
        """Stations of a zone on the chain of beam lines, (n,); what lies past a neighbour's line is the neighbour's.

        The chain passes from a line to the next where they cross, else halfway of their overlap. Past that place nobody
        who crosses this line alone has got anywhere.
        """
        if zone_id not in self._counted:
            line, at = self.zones[zone_id].line, self.grids[zone_id].chainage_m
            keep = np.ones(len(at), bool)
            for other in self.neighbours(zone_id):
                place = _handover(line, self.zones[other].line)
                if place is not None and place < _END_SHARE * line.length:
                    keep &= at >= place - 1e-9
                elif place is not None and place > (1 - _END_SHARE) * line.length:
                    keep &= at <= place + 1e-9
            self._counted[zone_id] = keep
        return self._counted[zone_id]

    def dead(
        self, zone_id: str, own: dict[str, Array] | None = None, *, headroom: float = 0.0
    ) -> dict[str, npt.NDArray[np.bool_]]:
        """Chainages at which each threat gets over the beam line on some way across without an alarm, (n,).

        headroom : share of the threshold that has to be kept in hand over it.
        """
        keep, level = self.counted(zone_id), self.rules.threshold * (1.0 + headroom)
        return {threat: crossable(m, level) & keep for threat, m in self.seen(zone_id, own).items()}

    def weakest(self, zone_id: str, own: dict[str, Array] | None = None) -> float:
        """Modulation of the weakest crossing: the best that somebody meets on the easiest way across, any threat."""
        keep = self.counted(zone_id)
        return min(_bottleneck(m[keep]) for m in self.seen(zone_id, own).values())

    def dead_length(self, zone_id: str, dead: Mapping[str, npt.NDArray[np.bool_]]) -> float:
        """Metres of the zone that let any threat through."""
        grid = self.grids[zone_id]
        any_ = np.any(list(dead.values()), axis=0)
        return float(any_.sum() * grid.line.length / (len(any_) - 1))


def _handover(a: BeamLine, b: BeamLine) -> float | None:
    """Chainage on line a at which the chain passes to or from line b; None where they do not follow each other."""
    ax, ay, bx, by = a.x1 - a.x0, a.y1 - a.y0, b.x1 - b.x0, b.y1 - b.y0
    cross = ax * by - ay * bx
    if abs(cross) > 1e-9 * a.length * b.length:
        t = ((b.x0 - a.x0) * by - (b.y0 - a.y0) * bx) / cross
        s = ((b.x0 - a.x0) * ay - (b.y0 - a.y0) * ax) / cross
        if 0.0 <= t <= 1.0 and 0.0 <= s <= 1.0:
            return t * a.length
    if abs(cross) > 0.1 * a.length * b.length:
        return None
    # nearly in line: halfway between the end of a that lies beside b and the end of b that lies beside a
    (along, _), (back, _) = a.from_map([b.x0, b.x1], [b.y0, b.y1]), b.from_map([a.x0, a.x1], [a.y0, a.y1])
    mine = [place for place, other in zip((0.0, a.length), back, strict=True) if 0.0 <= other <= b.length]
    theirs = [float(place) for place in along if 0.0 <= place <= a.length]
    return (mine[0] + theirs[0]) / 2 if len(mine) == len(theirs) == 1 else None


def _bottleneck(m: Array) -> float:
    """Smallest level at which a way of nodes not above it joins the two edges: bisection over the nodes' own values."""
    values = np.unique(m)
    low, high = 0, len(values) - 1  # at the highest value every node is open
    while low < high:
        middle = (low + high) // 2
        if crossable(m, np.nextafter(values[middle], np.inf)).any():
            high = middle
        else:
            low = middle + 1
    return float(values[low])
