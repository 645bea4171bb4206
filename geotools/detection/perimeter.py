"""Undetected crossings, for any head heights on any ground: the one place that answers it.

A zone is a straight strip between two posts with one or more pairs of heads; the beam lines of a fence line form one
chain. Somebody crosses the chain on any way, straight or winding, over the ground of all strips; the crossing is
detected where the modulation that any pair of heads of any zone of the chain gives anywhere on the way comes up to the
threshold.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import cached_property
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from shapely import Polygon, STRtree, linestrings

from geotools.beam.cells import FineGround, fine_axis, strip_on
from geotools.beam.draws import coarse_beam, coarse_strip
from geotools.beam.response import ResponseRequest, StripResponse
from geotools.beam.strip import Strip
from geotools.corridor import StripGrid
from geotools.detection.areas import Areas, areas_of, crossed, stepped_over
from geotools.detection.cases import Case, Rules, length_of, strip_nodes
from geotools.detection.topology import Link, Topology
from geotools.engine.batching import Batching
from geotools.errors import InputError, place_words
from geotools.plan import ids
from geotools.plan.model import FenceChain, Zone
from geotools.terrain.design import DesignSurface, Ground

__all__ = ["WAYS_ZONES", "Perimeter"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
T = TypeVar("T")
R = TypeVar("R")

#: Zones before and after one that ways across it may use.
WAYS_ZONES = 3
#: Modulation of stations that are unanswered: over every threshold, with any headroom.
_NO_WAY = 1e3
#: Zones solved together.
_AT_ONCE = 24


class _Chain:
    """The zones of one fence line, in order, with the geometry of their strips."""

    def __init__(self, zones: Sequence[Zone], grids: Mapping[str, StripGrid], closed: bool) -> None:
        self.ids = [zone.zone_id for zone in zones]
        self.place = {zone_id: place for place, zone_id in enumerate(self.ids)}
        self._parts = [grids[z] for z in self.ids], [zone.forward for zone in zones], closed

    @cached_property
    def topology(self) -> Topology:
        return Topology(*self._parts)


class Perimeter:
    """Every zone of a site on one ground, with what its own heads give each place of its strip kept ready.

    Parameters
    ----------
    zones : sequence of Zone
        Those of one fence line follow each other in its order.
    ground : Ground
        Whatever has levels.
    rules : Rules
        When somebody is detected.
    closed : collection of str
        Fence lines whose last zone meets the first.
    silent : collection of Polygon
        Strips of zones that are left out because their ground is not known. Stations beside them count as detected,
        so that nothing is made of what is not known, and are `unanswered`.
    """

    def __init__(
        self,
        zones: Sequence[Zone],
        ground: Ground,
        rules: Rules,
        closed: Collection[str] = (),
        silent: Collection[Polygon] = (),
    ) -> None:
        self.silent = tuple(silent)
        self._unanswered: dict[str, Flags] = {}
        self.zones = {zone.zone_id: zone for zone in zones}
        self.ground, self.rules, self.closed = ground, rules, frozenset(closed)
        self.grids = {
            z.zone_id: StripGrid(z.line, *strip_nodes(z.line, rules.half_width_m, rules.spacing_m)) for z in zones
        }
        self._chains: dict[str, _Chain] = {}
        for fence_id in dict.fromkeys(zone.fence_id for zone in zones):
            members = [zone for zone in zones if zone.fence_id == fence_id]
            for piece in self._pieces(members):
                chain = _Chain(piece, self.grids, fence_id in self.closed)
                self._chains.update(dict.fromkeys(chain.ids, chain))
        self._own: dict[str, Array] = {}
        self._levels: dict[str, Array] = {}
        self._strips: dict[str, Strip] = {}
        self._fine: dict[str, Array] = {}
        self._near: dict[str, list[str]] = {}
        self._given: dict[tuple[str, str], Array] = {}
        self._best: dict[str, Array] = {}
        self._areas: dict[tuple[str, int, float], Areas] = {}
        self._batching = Batching()
        self.standing_db: dict[tuple[str, str], float] = {}

    def _pieces(self, zones: Sequence[Zone]) -> Iterator[list[Zone]]:
        """Zones of a fence line that follow each other; a silent zone between two parts them."""
        half, piece = self.rules.half_width_m, [zones[0]]
        for before, zone in pairwise(zones):
            areas = [z.line.rectangle(0.0, z.line.length, half) for z in (before, zone)] if self.silent else []
            if areas and not areas[0].intersects(areas[1]):
                yield piece
                piece = []
            piece.append(zone)
        yield piece

    def __getstate__(self) -> dict[str, object]:
        """Everything but the place where threads meet: another process has its own."""
        return {name: value for name, value in self.__dict__.items() if name != "_batching"}

    def __setstate__(self, state: dict[str, object]) -> None:
        self.__dict__.update(state)
        self._batching = Batching()

    @classmethod
    def of(
        cls, chains: Sequence[FenceChain], ground: Ground, rules: Rules, silent: Collection[Polygon] = ()
    ) -> Perimeter:
        """The perimeter of a site's fence lines; ``silent`` : as of the class."""
        zones = [zone for chain in chains for zone in chain.zones]
        return cls(zones, ground, rules, [chain.fence_id for chain in chains if chain.closed], silent)

    def with_zones(self, changed: Mapping[str, Sequence[Zone]], ground: Ground | None = None) -> Perimeter:
        """The perimeter with some zones replaced, each by one or more in the fence line's order, on another ground.

        What is solved already is kept where ground and zone are the same.
        """
        zones = [new for zone_id, zone in self.zones.items() for new in changed.get(zone_id, (zone,))]
        made = Perimeter(zones, self.ground if ground is None else ground, self.rules, self.closed, self.silent)
        made.take_over(self)
        return made

    def take_over(self, other: Perimeter) -> None:
        """Keep what another perimeter has solved of the same zones, where ground and rules are the same too.

        What is requested within the other's :meth:`together` is solved there.
        """
        self._batching = other._batching
        if other.ground is self.ground and other.rules == self.rules:
            same = {z for z, zone in self.zones.items() if other.zones.get(z) == zone}
            self._own.update({z: own for z, own in other._own.items() if z in same})
            self._levels.update({z: level for z, level in other._levels.items() if z in same})
            self._strips.update({z: strip for z, strip in other._strips.items() if z in same})

    def check_ground(self) -> None:
        """InputError where a strip has places without a level, naming the zone and the place."""
        for zone_id, grid in self.grids.items():
            level = self.levels(zone_id)
            unknown = ~np.isfinite(level)
            if unknown.any():
                i, j = np.argwhere(unknown)[0]
                x, y = grid.line.to_map(grid.chainage_m[i], grid.offset_m[j])
                raise InputError(
                    "the terrain has no data under a zone's strip",
                    where=f"{place_words(grid.chainage_m[i], grid.offset_m[j], zone=zone_id)} "
                    f"(x {float(x):.2f}, y {float(y):.2f} m)",
                    found=f"{int(unknown.sum())} of {unknown.size} places without a level",
                    expected="a level everywhere in the corridor",
                    mend="fill the hole in the model, survey that stretch, or narrow detection.half_width_m",
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

    def strip(self, zone_id: str, ground: Ground | None = None) -> Strip:
        """The zone's strip on a ground, with what lies between its nodes where the ground is finer than they are."""
        grid = self.grids[zone_id]
        own = ground is None or ground is self.ground
        if own and zone_id in self._strips:
            return self._strips[zone_id]
        fine = self._fine_ground(zone_id, ground)
        if fine is None:
            made = Strip(grid.chainage_m, grid.offset_m, self.levels(zone_id, None if own else ground))
        else:
            made = strip_on(grid.chainage_m, grid.offset_m, fine)
        if own:
            self._strips[zone_id] = made
        return made

    def _fine_ground(self, zone_id: str, ground: Ground | None) -> FineGround | None:
        """Ground between the nodes, as finely as it is known; None where the nodes are as fine as that."""
        grid, of = self.grids[zone_id], self.ground if ground is None else ground
        cell = min(of.cell_m, of.terrain.cell_m) if isinstance(of, DesignSurface) else of.cell_m
        along, across = fine_axis(grid.chainage_m, cell), fine_axis(grid.offset_m, cell)
        if along.size == grid.chainage_m.size and across.size == grid.offset_m.size:
            return None
        x, y = grid.line.to_map(along[:, None], across[None, :])
        if isinstance(of, DesignSurface) and of.terrain is self.ground:
            if zone_id not in self._fine:
                self._fine[zone_id] = self.ground.sample(x, y)
            level = self._fine[zone_id] + of.change_at(x, y)
        else:
            level = of.sample(x, y)
        if not np.isfinite(level).all():
            return None  # the nodes' own levels say where
        return FineGround(along, across, level)

    # ---- what heads give

    def responses(self, cases: Sequence[Case]) -> list[list[StripResponse]]:
        """What each pair of heads of each case gives over the zone's strip; solved together."""
        requests = []
        for case in cases:
            strip = self._strip_of(case)
            grass = self.rules.grass_m if case.grass_m is None else case.grass_m
            targets = self.rules.targets_of(case.zone) if case.targets is None else case.targets
            floor = (self.rules.floor_width_m, self.rules.threshold) if case.floor else None
            who = tuple((target, grass) for target in targets)
            rough = None if case.coarse_m is None else coarse_strip(strip, case.coarse_m)
            asked = ResponseRequest(strip, who, floor, case.level) if rough is None else ResponseRequest(rough, who)
            for number, pair in enumerate(case.zone.pairs):
                name = ids.beam_id(case.zone.zone_id, pair.level)
                beam = asked.strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m, name=name)
                beam = case.aimed(beam, number)
                requests.append((beam if rough is None else coarse_beam(beam, rough), asked))
        found = iter(self._batching.look_at(requests))
        return [[next(found) for _ in case.zone.pairs] for case in cases]

    def _strip_of(self, case: Case) -> Strip:
        if isinstance(case.ground, Strip):
            return case.ground
        grid = self.grids[case.zone.zone_id]
        return Strip(grid.chainage_m, grid.offset_m, case.ground)

    def best(self, cases: Sequence[Case]) -> list[Array]:
        """Best modulation over the heads of each case, (targets, n, k) each."""
        return [
            np.max([one.modulation for one in found], axis=0) if found else self._nothing(case)
            for case, found in zip(cases, self.responses(cases), strict=True)
        ]

    def _nothing(self, case: Case) -> Array:
        """What a case without heads gives: nothing anywhere."""
        targets = self.rules.targets if case.targets is None else case.targets
        grid = self.grids[case.zone.zone_id]
        return np.zeros((len(targets), grid.chainage_m.size, grid.offset_m.size))

    def modulation(self, zone: Zone, ground: Strip | Array) -> dict[str, Array]:
        """Best modulation of each threat over the zone's own heads, at every node of its strip.

        ground : as of :class:`Case`.
        """
        return self.modulations([(zone, ground)])[0]

    def modulations(self, cases: Sequence[tuple[Zone, Strip | Array]]) -> list[dict[str, Array]]:
        """`modulation` of several cases in one go; the solver shares its transforms among them."""
        every = [Case(zone, ground) for zone, ground in cases]
        made = []
        for case, found in zip(every, self.responses(every), strict=True):
            for pair, one in zip(case.zone.pairs, found, strict=True):
                self.standing_db[case.zone.zone_id, pair.level] = one.standing_level_db
            best = np.max([one.modulation for one in found], axis=0) if found else self._nothing(case)
            made.append(dict(zip(self.rules.targets, best, strict=True)))
        return made

    def together(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every zone or group of zones, in order, several at once; their beams are solved in one go."""
        return self._batching.map(work, items)

    def own(self, zone_id: str) -> dict[str, Array]:
        """`modulation` of a zone as it stands, solved once."""
        return dict(zip(self.rules.targets, self._solved(zone_id), strict=True))

    def _solved(self, zone_id: str) -> Array:
        if zone_id not in self._own:
            self.hold(zone_id, self.modulation(self.zones[zone_id], self.strip(zone_id)))
        return self._own[zone_id]

    def hold(self, zone_id: str, own: Mapping[str, Array]) -> None:
        """Take what a zone's own heads give from whoever has solved it already."""
        self._own[zone_id] = self._stacked(own)

    def solve_all(self) -> None:
        """Solve every zone as it stands, several at a time."""
        todo = [z for z in self.zones if z not in self._own]
        for start in range(0, len(todo), _AT_ONCE):
            part = todo[start : start + _AT_ONCE]
            for zone_id, own in zip(
                part, self.modulations([(self.zones[z], self.strip(z)) for z in part]), strict=True
            ):
                self.hold(zone_id, own)

    def _stacked(self, own: Mapping[str, Array]) -> Array:
        return np.array([own[threat] for threat in self.rules.targets])

    # ---- with the neighbours of the chain

    def in_chain(self, zone_id: str) -> list[str]:
        """Names of the zones of the chain that a zone is part of, in the order of its geometry."""
        return self._chains[zone_id].ids

    def topology(self, zone_id: str) -> tuple[Topology, int]:
        """Geometry of the chain that a zone is part of, and its place there."""
        chain = self._chains[zone_id]
        return chain.topology, chain.place[zone_id]

    def seen(self, zone_id: str, own: Mapping[str, Array] | None = None) -> dict[str, Array]:
        """Best modulation at every node of a zone's strip, neighbours' heads included.

        own : modulation of the zone's own heads in the case to be tried; as it stands if not given.
        """
        trial = {} if own is None else {zone_id: self._stacked(own)}
        return dict(zip(self.rules.targets, self._joined(zone_id, trial), strict=True))

    def cover(self, zone_id: str) -> dict[str, Array]:
        """What the neighbours' heads give at the nodes of this zone's strip, 0 where none reaches."""
        return dict(zip(self.rules.targets, self._covered(zone_id, {}), strict=True))

    def _covered(self, zone_id: str, trial: Mapping[str, Array]) -> Array:
        topology, place = self.topology(zone_id)
        ids = self._chains[zone_id].ids
        n, k = topology.shape(place)
        best = np.zeros((len(self.rules.targets), n * k))
        for link in topology.links(place):
            other = ids[link.other]
            if other in trial:
                there = _looked_up(link, trial[other])
            elif (zone_id, other) in self._given:
                there = self._given[zone_id, other]
            else:
                there = self._given[zone_id, other] = _looked_up(link, self._solved(other))
            best[:, link.nodes] = np.maximum(best[:, link.nodes], there)
        return best.reshape(-1, n, k)

    def _joined(self, zone_id: str, trial: Mapping[str, Array]) -> Array:
        """(targets, n, k) best modulation of own and neighbours' heads; ``trial`` : own modulation of zones tried."""
        if not self._touched(zone_id, trial):
            if zone_id not in self._best:
                joined = np.maximum(self._solved(zone_id), self._covered(zone_id, {}))
                self._best[zone_id] = self._without_silent(zone_id, joined)
            return self._best[zone_id]
        own = trial[zone_id] if zone_id in trial else self._solved(zone_id)
        return self._without_silent(zone_id, np.maximum(own, self._covered(zone_id, trial)))

    def _without_silent(self, zone_id: str, joined: Array) -> Array:
        """The modulation with no way left open over stations that are unanswered."""
        if self.silent:
            joined = joined.copy()
            joined[:, self.unanswered(zone_id)] = _NO_WAY
        return joined

    def unanswered(self, zone_id: str) -> Flags:
        """Stations of a zone beside a strip whose ground is not known, up to the zone's end there, (n,)."""
        if zone_id not in self._unanswered:
            grid, half = self.grids[zone_id], self.rules.half_width_m
            n = grid.chainage_m.size
            beside = np.zeros(n, dtype=bool)
            if self.silent:
                x, y = grid.line.to_map(grid.chainage_m[:, None], np.array([[-half, half]]))
                across = linestrings(np.stack([x, y], axis=-1))
                beside[np.unique(STRtree(across).query(list(self.silent), predicate="intersects")[1])] = True
                near, far = np.flatnonzero(beside[: n // 2]), np.flatnonzero(beside[n // 2 :])
                beside[: near.max() + 1 if near.size else 0] = True
                beside[n // 2 + far.min() if far.size else n :] = True
            self._unanswered[zone_id] = beside
        return self._unanswered[zone_id]

    def _touched(self, zone_id: str, trial: Mapping[str, Array]) -> bool:
        """Whether a case tried changes what is met in a zone's strip."""
        if not trial:
            return False
        chain = self._chains[zone_id]
        near = chain.topology.touching(chain.place[zone_id])
        return zone_id in trial or any(chain.ids[other] in trial for other in near)

    # ---- who gets through

    def counted(self, zone_id: str) -> Flags:
        """Stations of a zone along which the chain runs, (n,); what lies past a neighbour's line is the neighbour's."""
        topology, place = self.topology(zone_id)
        return topology.counted(place)

    def dead(self, zone_id: str, own: Mapping[str, Array] | None = None, *, headroom: float = 0.0) -> dict[str, Flags]:
        """Chainages at which each threat gets over the chain on some way across undetected, (n,).

        Parameters
        ----------
        zone_id : str
            The zone in question.
        own : mapping of str to (n, k) array, optional
            Modulation of the zone's own heads in the case to be tried; as it stands if not given.
        headroom : float
            Share of the threshold that has to be kept in hand over it.
        """
        trial = {} if own is None else {zone_id: self._stacked(own)}
        return self._dead([zone_id], trial, self.rules.threshold * (1.0 + headroom))[zone_id]

    def dead_around(
        self, owns: Mapping[str, Mapping[str, Array]], *, headroom: float = 0.0
    ) -> dict[str, dict[str, Flags]]:
        """`dead` of the zones of a case tried, and of all whose answer it may change.

        owns : modulation of their own heads by zone, in the case to be tried.
        """
        trial = {zone_id: self._stacked(own) for zone_id, own in owns.items()}
        wanted = dict.fromkeys(
            self._chains[zone_id].ids[place]
            for zone_id in trial
            for place in self._chains[zone_id].topology.window(self._chains[zone_id].place[zone_id], 1)
        )
        return self._dead(list(wanted), trial, self.rules.threshold * (1.0 + headroom))

    def _dead(self, wanted: Sequence[str], trial: Mapping[str, Array], level: float) -> dict[str, dict[str, Flags]]:
        tried: dict[tuple[str, int], Areas] = {}
        return {zone_id: self._open_rows(zone_id, trial, level, tried) for zone_id in wanted}

    def _open_rows(
        self, zone_id: str, trial: Mapping[str, Array], level: float, tried: dict[tuple[str, int], Areas]
    ) -> dict[str, Flags]:
        chain = self._chains[zone_id]
        topology, place = chain.topology, chain.place[zone_id]
        window = topology.window(place, WAYS_ZONES)
        rows = {}
        met = self._joined(zone_id, trial)
        for number, threat in enumerate(self.rules.targets):
            if not stepped_over(topology, place, met[number] < level).any():
                rows[threat] = np.zeros(topology.shape(place)[0], dtype=bool)
                continue

            def areas(at: int, number: int = number) -> Areas:
                name = chain.ids[at]
                if not self._touched(name, trial):
                    return self._standing_areas(name, number, level)
                if (name, number) not in tried:
                    tried[name, number] = areas_of(topology, at, self._joined(name, trial)[number] < level)
                return tried[name, number]

            rows[threat] = crossed(topology, window, areas, [place])[place]
        return rows

    def crossed_over(self, zone_id: str, number: int, open_: Flags) -> Flags:
        """Stations of a zone that are crossed over open nodes of its own strip, (n, k), other strips as they stand.

        number : the threat's place among the rules' targets.
        """
        chain = self._chains[zone_id]
        topology, place = chain.topology, chain.place[zone_id]
        if not self.steppable(zone_id, open_).any():
            return np.zeros(topology.shape(place)[0], dtype=bool)
        here = areas_of(topology, place, open_)

        def areas(at: int) -> Areas:
            return here if at == place else self._standing_areas(chain.ids[at], number, self.rules.threshold)

        return crossed(topology, topology.window(place, WAYS_ZONES), areas, [place])[place]

    def steppable(self, zone_id: str, open_: Flags) -> Flags:
        """Stations of a zone, (n,), with open nodes, (n, k), on both sides of the chain: all crossed are among them."""
        topology, place = self.topology(zone_id)
        flags = np.zeros(topology.shape(place)[0], dtype=bool)
        flags[topology.steps(place).row[stepped_over(topology, place, open_)]] = True
        return flags

    def _standing_areas(self, zone_id: str, number: int, level: float) -> Areas:
        """Open areas of a zone's strip as everything stands, kept once found."""
        key = zone_id, number, level
        if key not in self._areas:
            topology, place = self.topology(zone_id)
            self._areas[key] = areas_of(topology, place, self._joined(zone_id, {})[number] < level)
        return self._areas[key]

    def straight_over(self, zone_id: str) -> dict[str, Array]:
        """Largest modulation that somebody meets who walks straight over a zone at each chainage, (n,).

        At most stations a winding way is easier; a walk test goes straight. NaN where it is unanswered.
        """
        unknown = self.unanswered(zone_id)
        return {threat: np.where(unknown, np.nan, m.max(axis=1)) for threat, m in self.seen(zone_id).items()}

    def weakest(self, zone_id: str, own: Mapping[str, Array] | None = None) -> float:
        """Modulation of the weakest crossing: the best that somebody meets on the easiest way across, any threat."""
        trial = {} if own is None else {zone_id: self._stacked(own)}
        lowest = float("inf")
        for number in range(len(self.rules.targets)):
            lowest = self._bottleneck(zone_id, number, trial, lowest)
        return lowest

    def weakest_of(self, zone_id: str, threat: str, own: Mapping[str, Array], most: float = float("inf")) -> float:
        """`weakest` of one threat in a case tried; ``most`` where it is no weaker than that."""
        number = list(self.rules.targets).index(threat)
        return self._bottleneck(zone_id, number, {zone_id: self._stacked(own)}, most)

    def _bottleneck(self, zone_id: str, number: int, trial: Mapping[str, Array], most: float) -> float:
        """Smallest level at which a way of nodes not above it leads across, ``most`` where that is no smaller.

        Bisection over the nodes' own values.
        """
        chain = self._chains[zone_id]
        topology, place = chain.topology, chain.place[zone_id]
        window = topology.window(place, WAYS_ZONES)
        met = {at: self._joined(chain.ids[at], trial)[number] for at in window}

        def open_at(level: float) -> bool:
            def areas(at: int) -> Areas:
                return areas_of(topology, at, met[at] <= level)

            return bool(crossed(topology, window, areas, [place])[place].any())

        if np.isfinite(most) and not open_at(float(np.nextafter(most, -np.inf))):
            return most
        # whoever steps over meets nodes of the zone's own strip: its values bracket the answer first
        own_values = np.unique(met[place])
        own_values = own_values[own_values < most]
        found = _first(own_values, open_at)
        below = (
            own_values[(len(own_values) if found is None else found) - 1] if len(own_values) and found != 0 else -np.inf
        )
        above = most if found is None else float(own_values[found])
        near = [m[(m > below) & (m < above)] for m in met.values()]
        values = np.unique(np.concatenate(near))
        at = _first(values, open_at)
        return above if at is None else float(values[at])

    def dead_length(self, zone_id: str, dead: Mapping[str, Flags]) -> float:
        """Metres of the zone that let any threat through."""
        return length_of(np.any(list(dead.values()), axis=0), self.grids[zone_id].chainage_m)


def _looked_up(link: Link, values: Array) -> Array:
    return np.array([link.look_up(one) for one in values])


def _first(values: Array, holds: Callable[[float], bool]) -> int | None:
    """Place of the first value that holds, where all after it do; None where none does."""
    low, high = 0, len(values)
    while low < high:
        middle = (low + high) // 2
        if holds(float(values[middle])):
            high = middle
        else:
            low = middle + 1
    return low if low < len(values) else None
