"""What is met in a zone's strip of its own and its neighbours' heads, along the chain of a fence line."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from shapely import Polygon, STRtree, linestrings

from geotools.corridor import StripGrid
from geotools.detection.cases import Rules
from geotools.detection.solved import SolvedZones
from geotools.detection.topology import Link, Topology
from geotools.plan.model import Zone
from geotools.terrain.design import Ground

__all__ = ["JoinedZones"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Modulation of stations that are unanswered: over every threshold, with any headroom.
_NO_WAY = 1e3


class _Chain:
    """The zones of one fence line, in order, with the geometry of their strips."""

    def __init__(self, zones: Sequence[Zone], grids: Mapping[str, StripGrid], closed: bool) -> None:
        self.ids = [zone.zone_id for zone in zones]
        self.place = {zone_id: place for place, zone_id in enumerate(self.ids)}
        self._parts = [grids[z] for z in self.ids], [zone.forward for zone in zones], closed

    @cached_property
    def topology(self) -> Topology:
        return Topology(*self._parts)


class JoinedZones(SolvedZones):
    """Zones in the chains of their fence lines, each with what its neighbours' heads give in its strip.

    Parameters
    ----------
    zones, ground, rules
        As of :class:`SolvedZones`; zones of one fence line follow each other in its order.
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
        super().__init__(zones, ground, rules)
        self.closed, self.silent = frozenset(closed), tuple(silent)
        self._chains: dict[str, _Chain] = {}
        for fence_id in dict.fromkeys(zone.fence_id for zone in zones):
            members = [zone for zone in zones if zone.fence_id == fence_id]
            for piece in self._pieces(members):
                chain = _Chain(piece, self.grids, fence_id in self.closed)
                self._chains.update(dict.fromkeys(chain.ids, chain))
        self._unanswered: dict[str, Flags] = {}
        self._near: dict[str, list[str]] = {}
        self._given: dict[tuple[str, str], Array] = {}
        self._best: dict[str, Array] = {}
        self._cover: dict[str, Array] = {}

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
        ids, links = self._chains[zone_id].ids, topology.links(place)
        # a case of the zone's own heads changes nothing of what its neighbours give
        stands = not any(ids[link.other] in trial for link in links)
        if stands and zone_id in self._cover:
            return self._cover[zone_id]
        n, k = topology.shape(place)
        best = np.zeros((len(self.rules.targets), n * k))
        for link in links:
            other = ids[link.other]
            if other in trial:
                there = _looked_up(link, trial[other])
            elif (zone_id, other) in self._given:
                there = self._given[zone_id, other]
            else:
                there = self._given[zone_id, other] = _looked_up(link, self._solved(other))
            best[:, link.nodes] = np.maximum(best[:, link.nodes], there)
        made = best.reshape(-1, n, k)
        if stands:
            made.flags.writeable = False
            self._cover[zone_id] = made
        return made

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


def _looked_up(link: Link, values: Array) -> Array:
    return np.array([link.look_up(one) for one in values])
