"""What each zone's own heads give over its strip: strips on a ground, solved together, kept once solved."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from geotools.beam import Beam
from geotools.beam.cells import FineGround, fine_axis, strip_on
from geotools.beam.draws import coarse_beam, coarse_strip
from geotools.beam.response import ResponseRequest, StripResponse
from geotools.beam.strip import Strip
from geotools.corridor import StripGrid
from geotools.detection.cases import Case, Rules, strip_nodes
from geotools.engine.batching import Batching
from geotools.engine.remembered import Remembered
from geotools.errors import InputError, place_words
from geotools.plan import ids
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, Ground

__all__ = ["SolvedZones"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
T = TypeVar("T")
R = TypeVar("R")

#: Zones solved together.
_AT_ONCE = 24


class SolvedZones:
    """Zones on one ground, each with what its own heads give; what lies between zones is not looked at here.

    Parameters
    ----------
    zones : sequence of Zone
        In any order.
    ground : Ground
        Whatever has levels.
    rules : Rules
        When somebody is detected.
    """

    def __init__(self, zones: Sequence[Zone], ground: Ground, rules: Rules) -> None:
        self.zones = {zone.zone_id: zone for zone in zones}
        self.ground, self.rules = ground, rules
        self.grids = {
            z.zone_id: StripGrid(z.line, *strip_nodes(z.line, rules.half_width_m, rules.spacing_m)) for z in zones
        }
        self._own: dict[str, Array] = {}
        self._levels: dict[str, Array] = {}
        self._strips: dict[str, Strip] = {}
        # ground without works, at the nodes and between them: what designs on it are laid over
        self._bare: dict[str, Array] = {}
        self._fine: dict[str, Array] = {}
        self._batching = Batching()
        self.standing_db: dict[tuple[str, str], float] = {}

    def __getstate__(self) -> dict[str, object]:
        """Everything but the place where threads meet: another process has its own."""
        return {name: value for name, value in self.__dict__.items() if name != "_batching"}

    def __setstate__(self, state: dict[str, object]) -> None:
        self.__dict__.update(state)
        self._batching = Batching()

    def take_over(self, other: SolvedZones) -> None:
        """Keep what another perimeter has solved of the same zones, where ground and rules are the same too.

        What is requested within the other's :meth:`together` is solved there.
        """
        self._batching = other._batching
        if other.rules != self.rules:
            return
        along = {z for z, zone in self.zones.items() if z in other.zones and other.zones[z].line == zone.line}
        if other._terrain is self._terrain:
            self._bare.update({z: level for z, level in other._bare.items() if z in along})
            self._fine.update({z: level for z, level in other._fine.items() if z in along})
        if other.ground is self.ground:
            same = {z for z, zone in self.zones.items() if other.zones.get(z) == zone}
            self._own.update({z: own for z, own in other._own.items() if z in same})
            self._levels.update({z: level for z, level in other._levels.items() if z in along})
            self._strips.update({z: strip for z, strip in other._strips.items() if z in along})

    def remember(self, most_bytes: int) -> None:
        """Keep so many bytes of what beams gave, for work that comes back to heads and ground it has tried.

        Perimeters that take over from this one, before or after, share it.
        """
        self._batching.remembered = Remembered(most_bytes)

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

    @property
    def _terrain(self) -> Ground:
        """The perimeter's own ground, without works."""
        return self.ground.terrain if isinstance(self.ground, DesignSurface) else self.ground

    def levels(self, zone_id: str, ground: Ground | None = None) -> Array:
        """Ground of the zone's strip, (chainages, offsets); the perimeter's own ground is sampled once, and so is that
        which designs are laid over.
        """
        if ground is None:
            if zone_id not in self._levels:
                self._levels[zone_id] = self.levels(zone_id, self.ground)
            return self._levels[zone_id]
        x, y = self.grids[zone_id].map_xy()
        bare = ground.terrain if isinstance(ground, DesignSurface) else ground
        if bare is not self._terrain:
            return ground.sample(x, y)
        if zone_id not in self._bare:
            self._bare[zone_id] = bare.sample(x, y)
        return (
            self._bare[zone_id] + ground.change_at(x, y) if isinstance(ground, DesignSurface) else self._bare[zone_id]
        )

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
        if isinstance(of, DesignSurface) and of.terrain is self._terrain:
            if zone_id not in self._fine:
                self._fine[zone_id] = of.terrain.sample(x, y)
            level = self._fine[zone_id] + of.change_at(x, y)
        else:
            level = of.sample(x, y)
        if not np.isfinite(level).all():
            return None  # the nodes' own levels say where
        return FineGround(along, across, level)

    def responses(self, cases: Sequence[Case]) -> list[list[StripResponse]]:
        """What each pair of heads of each case gives over the zone's strip; solved together.

        Cases of the same zone and ground, which look for other bodies or in other grass, cost one solve.
        """
        requests: list[tuple[Beam, ResponseRequest]] = []
        beams: dict[tuple[int, ...], Beam] = {}
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
                if rough is not None:
                    beam = coarse_beam(beam, rough)
                elif case.aim_deg is None:
                    # the very same heads over the very same ground: one field for whatever is looked for in it
                    same = id(case.zone), number, id(strip.ground_m), id(strip.line_detail_m)
                    beam = beams.setdefault(same, beam)
                requests.append((beam, asked))
        found = iter(self._batching.look_at(requests))
        return [[next(found) for _ in case.zone.pairs] for case in cases]

    def _strip_of(self, case: Case) -> Strip:
        if isinstance(case.ground, Strip):
            return case.ground
        grid = self.grids[case.zone.zone_id]
        return Strip(grid.chainage_m, grid.offset_m, case.ground)

    def best(self, cases: Sequence[Case]) -> list[Array]:
        """Best modulation over the heads of each case, (targets, n, k) each."""
        return [self.best_of(case, found) for case, found in zip(cases, self.responses(cases), strict=True)]

    def best_of(self, case: Case, found: Sequence[StripResponse]) -> Array:
        """Best modulation over what the pairs of heads of a case give, (targets, n, k)."""
        return np.max([one.modulation for one in found], axis=0) if found else self._nothing(case)

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
