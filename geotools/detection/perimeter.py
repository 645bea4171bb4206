"""Undetected crossings, for any head heights on any ground: the one place that answers it.

A zone is a straight strip between two posts with one or more pairs of heads; the beam lines of a fence line form one
chain. Somebody crosses the chain on any way, straight or winding, over the ground of all strips; the crossing is
detected where the modulation that any pair of heads of any zone of the chain gives anywhere on the way comes up to the
threshold.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt
from shapely import Polygon

from geotools.detection.areas import Areas, areas_of, crossed, easiest_step, stepped_over
from geotools.detection.cases import Rules, length_of
from geotools.detection.joined import JoinedZones
from geotools.plan.model import FenceChain, Zone
from geotools.terrain.design import Ground

__all__ = ["WAYS_ZONES", "Perimeter"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Zones before and after one that ways across it may use.
WAYS_ZONES = 3


class Perimeter(JoinedZones):
    """Every zone of a site on one ground, with who gets through it; made as :class:`JoinedZones` is."""

    @cached_property
    def _areas(self) -> dict[tuple[str, int, float], Areas]:
        """Open areas of strips as everything stands, kept once found."""
        return {}

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

    def counted(self, zone_id: str) -> Flags:
        """Stations of a zone along which the chain runs, (n,); what lies past a neighbour's line is the neighbour's."""
        topology, place = self.topology(zone_id)
        return topology.counted(place)

    def around(self, zone_ids: Collection[str]) -> tuple[Zone, ...]:
        """Zones that an answer for these may hang on, themselves among them, in the perimeter's order.

        Those that ways across them may use, those whose strips lie on these, and whatever else meets them.
        """
        names: set[str] = set()
        for zone_id in zone_ids:
            topology, place = self.topology(zone_id)
            used = topology.window(place, WAYS_ZONES)
            ids = self.in_chain(zone_id)
            names.update(ids[at] for one in used for at in (one, *topology.touching(one)))
            names.update(self.neighbours(zone_id))
        return tuple(zone for name, zone in self.zones.items() if name in names)

    def answered(self, zone_id: str) -> bool:
        """Whether anything is known of a zone: it does not lie wholly beside strips whose ground is not known."""
        return bool(np.any(self.counted(zone_id) & ~self.unanswered(zone_id)))

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
        return self.weakest_threat(zone_id, own)[1]

    def weakest_threat(self, zone_id: str, own: Mapping[str, Array] | None = None) -> tuple[str, float]:
        """The threat that meets least on its easiest way across, and what it meets; own : as of `dead`."""
        trial = {} if own is None else {zone_id: self._stacked(own)}
        weakest, lowest = next(iter(self.rules.targets)), float("inf")
        for number, threat in enumerate(self.rules.targets):
            found = self._bottleneck(zone_id, number, trial, lowest)
            if found < lowest:
                weakest, lowest = threat, found
        return weakest, lowest

    def weakest_of(self, zone_id: str, threat: str, own: Mapping[str, Array], most: float = float("inf")) -> float:
        """`weakest` of one threat in a case tried; ``most`` where it is no weaker than that."""
        number = list(self.rules.targets).index(threat)
        return self._bottleneck(zone_id, number, {zone_id: self._stacked(own)}, most)

    def easiest_steps(self, zone_id: str, owns: Sequence[Mapping[str, Array]]) -> dict[str, Array]:
        """What a single step over a zone meets at least in each case tried, by threat: no crossing there meets less."""
        topology, place = self.topology(zone_id)
        met = [self._joined(zone_id, {zone_id: self._stacked(own)}) for own in owns]
        return {
            threat: np.array([easiest_step(topology, place, one[number]) for one in met])
            for number, threat in enumerate(self.rules.targets)
        }

    def _bottleneck(self, zone_id: str, number: int, trial: Mapping[str, Array], most: float) -> float:
        """Smallest level at which a way of nodes not above it leads across, ``most`` where that is no smaller.

        Bisection over the nodes' own values, from what the easiest single step over the chain meets: mostly the answer.
        """
        chain = self._chains[zone_id]
        topology, place = chain.topology, chain.place[zone_id]
        window = topology.window(place, WAYS_ZONES)
        met: dict[int, Array] = {}

        def at_nodes(at: int) -> Array:
            if at not in met:
                met[at] = self._joined(chain.ids[at], trial)[number]
            return met[at]

        def open_at(level: float) -> bool:
            def areas(at: int) -> Areas:
                return areas_of(topology, at, at_nodes(at) <= level)

            return bool(crossed(topology, window, areas, [place])[place].any())

        least = easiest_step(topology, place, at_nodes(place))
        if not least < most:
            return most
        if open_at(least):
            return least
        if np.isfinite(most) and not open_at(float(np.nextafter(most, -np.inf))):
            return most
        # whoever steps over meets nodes of the zone's own strip: its values bracket the answer first
        own_values = np.unique(met[place])
        own_values = own_values[(own_values > least) & (own_values < most)]
        found = _first(own_values, open_at)
        below = (
            own_values[(len(own_values) if found is None else found) - 1] if len(own_values) and found != 0 else least
        )
        above = most if found is None else float(own_values[found])
        every = [at_nodes(at) for at in window]
        values = np.unique(np.concatenate([m[(m > below) & (m < above)] for m in every]))
        at = _first(values, open_at)
        return above if at is None else float(values[at])

    def dead_length(self, zone_id: str, dead: Mapping[str, Flags]) -> float:
        """Metres of the zone that let any threat through."""
        return length_of(np.any(list(dead.values()), axis=0), self.grids[zone_id].chainage_m)


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
