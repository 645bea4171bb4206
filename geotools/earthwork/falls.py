"""Water through the works: falls that flow paths keep, ponds a design would make, crossings that take the water."""

from __future__ import annotations

import hashlib

import numpy as np
import numpy.typing as npt
from affine import Affine
from scipy import ndimage
from scipy.spatial import cKDTree

from geotools.earthwork.flow_paths import FlowPath, WaterCrossing, WaterRules, runs_of
from geotools.earthwork.limits import Falls
from geotools.earthwork.prices import Prices
from geotools.earthwork.water import Flow, contributing_area, filled, flood, let_through
from geotools.terrain.design import DesignSurface, StripCells

__all__ = ["Drainage", "WaterCrossing", "WaterRules"]

_NOTHING_M = 1e-4
#: Higher than any ground.
_WALL_M = 1e5
#: Length at most that a crossing is reckoned with before its place is known, m.
_USUAL_M = 8.0
#: Share of the standing water that is let pass which a way for it may leave.
_SPARE_SHARE = 0.8
#: How far beside the strip new ponds are looked for, m.
_CLOSE_M = 8.0


class Drainage:
    """The water around one strip, before any works and after."""

    def __init__(self, surface: DesignSurface, strip: StripCells, rules: WaterRules, prices: Prices) -> None:
        self.rules, self.prices, self.strip, self.cell = rules, prices, strip, surface.cell_m
        pad = int(np.ceil(rules.margin_m / surface.cell_m))
        self._r0, self._c0 = int(strip.row.min()) - pad, int(strip.column.min()) - pad
        rows, columns = int(strip.row.max()) + pad + 1 - self._r0, int(strip.column.max()) + pad + 1 - self._c0
        self._row, self._column = strip.row - self._r0, strip.column - self._c0
        mine = np.zeros((rows, columns), bool)
        mine[self._row, self._column] = True
        near = ndimage.distance_transform_edt(~mine) <= pad
        r, c = np.nonzero(near)
        self.level = np.full((rows, columns), np.nan)
        self._x, self._y = surface.centres(np.arange(rows) + self._r0, np.arange(columns) + self._c0)
        half = surface.cell_m / 2
        self._transform = Affine(2 * half, 0.0, self._x[0] - half, 0.0, -2 * half, self._y[0] + half)
        self.level[r, c] = surface.sample(*surface.centres(r + self._r0, c + self._c0))
        self.level[self._row, self._column] = strip.cells.ground
        ground = self.level
        self.level = self._open(ground)
        self._piped = (self.level < ground - _NOTHING_M).ravel()
        self.flow: Flow = flood(self.level)
        self.catchment = contributing_area(self.flow, self.cell**2).ravel()
        self._standing = np.nan_to_num(self.flow.filled - self.level)
        self._number = np.full(self.level.size, -1)
        self._number[self._row * columns + self._column] = np.arange(len(strip.row))
        self._known = np.zeros(self.level.size, bool)
        # ponds are looked for close to the strip, where today's water lies around it
        inner = ndimage.distance_transform_edt(~mine) <= int(np.ceil(_CLOSE_M / surface.cell_m))
        self._rim = inner & ~ndimage.binary_erosion(inner, np.ones((3, 3)))
        self._far = ~inner
        self.paths: list[FlowPath] = []
        self._found: dict[bytes, list[np.ndarray]] = {}
        self._take(np.flatnonzero((self.catchment >= rules.catchment_m2) & (self._number >= 0)))

    def _open(self, level: np.ndarray) -> np.ndarray:
        """Ground of the window as water finds it beside the ways that stand."""
        return let_through(level, self._transform, self.rules.ways) if self.rules.ways else level

    def _take(self, cells: npt.NDArray[np.intp]) -> bool:
        """Keep the falls of these cells to their receivers, one path for each run of them; False if there are none."""
        # on a way that stands water does not run over the ground
        p = cells[~self._known[cells] & ~self._piped[cells]]
        q = self.flow.receiver[p]
        movable = self.strip.cells.movable
        upper, lower = self._number[p], self._number[q]
        inside = (q != p) & (upper >= 0) & (lower >= 0)
        p, q, upper, lower = p[inside], q[inside], upper[inside], lower[inside]
        some = movable[upper] | movable[lower]
        p, q, upper, lower = p[some], q[some], upper[some], lower[some]
        if not len(p):
            return False
        self._known[p] = True
        columns = self.level.shape[1]
        step = np.hypot(p // columns - q // columns, p % columns - q % columns) * self.cell
        ground = self.strip.cells.ground
        least = np.minimum(ground[upper] - ground[lower], self.rules.least_fall * step)
        run = runs_of(p, q)
        for number in np.unique(run):
            here = run == number
            length = min(float(step[here].sum()), _USUAL_M)
            catchment = float(self.catchment[p[here]].max())
            kind = self.prices.crossing(length, catchment)
            self.paths.append(FlowPath(upper[here], lower[here], least[here], length, catchment, kind))
        return True

    def falls(self) -> Falls:
        """The falls of the paths known so far, for the programme."""
        counts = [len(path.upper) for path in self.paths]
        offered = [k for k, path in enumerate(self.paths) if path.kind is not None]
        number = np.full(len(self.paths), -1)
        number[offered] = np.arange(len(offered))
        kinds = [(path, path.kind) for path in self.paths]

        def joined(parts: list[np.ndarray]) -> np.ndarray:
            return np.concatenate(parts) if parts else np.zeros(0)

        return Falls(
            joined([path.upper for path in self.paths]).astype(int),
            joined([path.lower for path in self.paths]).astype(int),
            joined([path.least for path in self.paths]),
            np.repeat(number, counts),
            np.array([kind.price(path.length_m) for path, kind in kinds if kind is not None]),
        )

    def after(self, design: np.ndarray, *, every: bool = False) -> tuple[list[WaterCrossing], list[np.ndarray]]:
        """Crossings that a design needs where its paths lose their fall, and ponds it makes elsewhere.

        Parameters
        ----------
        design : (n,) levels of the strip's cells, m. every : give every pond its crossing.

        Returns
        -------
        The crossings, and for each pond the flat cells of the window where more water stands than before.
        """
        level = self.level.copy()
        level[self._row, self._column] = design
        level = self._open(level)
        broken = np.zeros(level.shape, bool)
        for path in self.paths:
            if path.kind is not None and path.lost(design).any():
                both = np.r_[path.upper, path.lower]
                broken[self._row[both], self._column[both]] = True
        around = ndimage.binary_dilation(broken, np.ones((3, 3))).ravel()
        changed = np.zeros(level.shape, bool)
        changed[self._row, self._column] = np.abs(design - self.strip.cells.ground) > _NOTHING_M
        crossings: list[WaterCrossing] = []
        open_ = level
        ponds = self._new_ponds(level)
        for _ in range(6):  # a pond that is emptied may have hidden another
            found = [self._crossing(level, changed, p) for p in ponds if every or around[p].any()]
            built = [made for made in found if made is not None]
            if not built:
                break
            crossings += built
            open_ = let_through(open_, self._transform, [c.levels for c in built])
            ponds = self._new_ponds(open_)
        return (self._without_needless(level, crossings) if every and not ponds else crossings), ponds

    def _without_needless(self, level: np.ndarray, crossings: list[WaterCrossing]) -> list[WaterCrossing]:
        """The crossings less those, the dearest first, without which no new pond stands either: another empties it."""
        kept = list(crossings)
        if len(kept) < 2:
            return kept
        for one in sorted(crossings, key=lambda c: -c.cost):
            fewer = [c for c in kept if c is not one]
            if not self._new_ponds(let_through(level, self._transform, [c.levels for c in fewer])):
                kept = fewer
        return kept

    def keep_from(self, ponds: list[np.ndarray]) -> bool:
        """Keep the falls of everything that runs through these ponds from now on; False where all are kept already."""
        new = False
        for pond in ponds:
            way = np.unique(pond)
            while True:
                more = np.unique(np.r_[way, self.flow.receiver[way]])
                if len(more) == len(way):
                    break
                way = more
            new |= self._take(way)
        return new

    def _new_ponds(self, level: np.ndarray) -> list[np.ndarray]:
        """Ponds that hold more water than stood in their place before, by more than is let pass; each found once."""
        key = hashlib.blake2b(level.tobytes(), digest_size=16).digest()
        if key not in self._found:
            self._found[key] = self._ponds_in(level)
        return self._found[key]

    def _ponds_in(self, level: np.ndarray) -> list[np.ndarray]:
        # Where water stands as it does today all around the works, it stands so beyond: then that much need not be
        # found. Along the rim water leaves at today's level where its way from there does not lead through the works;
        # elsewhere it must not leave at all, for what the works hold back may be the way it went.
        changed = ~((level == self.level) | (np.isnan(level) & np.isnan(self.level)))
        if not changed.any():
            return []
        near = ndimage.distance_transform_edt(~changed) <= int(np.ceil(_CLOSE_M / self.cell))
        near &= ~self._far
        rim = near & ~ndimage.binary_erosion(near, np.ones((3, 3)))
        through = self._runs_through(changed)
        found, water = self._ponds_within(level, near, rim, rim & through)
        beside = near & ~rim & ndimage.binary_dilation(rim, np.ones((3, 3)))
        if np.array_equal(water[beside], self.flow.filled[beside], equal_nan=True):
            return found
        return self._ponds_within(level, ~self._far, self._rim, self._rim & through)[0]

    def _runs_through(self, cells: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """Cells of the window whose water runs, today, through some of these cells."""
        through, ahead = cells.ravel(), self.flow.receiver
        while True:
            further = ahead[ahead]
            through = through | through[ahead]
            if (further == ahead).all():
                return through.reshape(cells.shape)
            ahead = further

    def _ponds_within(
        self,
        level: np.ndarray,
        near: npt.NDArray[np.bool_],
        rim: npt.NDArray[np.bool_],
        wall: npt.NDArray[np.bool_],
    ) -> tuple[list[np.ndarray], np.ndarray]:
        """Ponds in a part of the window along whose rim today's water stands, and the level of the water there.

        wall : cells of the rim over which no water leaves.
        """
        rows, columns = (np.flatnonzero(near.any(axis=axis)) for axis in (1, 0))
        part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        # a way that leads on beyond the rim takes the water with it
        edge = np.where(level < self.level - _NOTHING_M, level, np.where(wall, _WALL_M, self.flow.filled))
        close = np.where(near, np.where(rim, edge, level), np.nan)[part]
        water = np.full(level.shape, np.nan)
        water[part] = filled(close)
        depth = np.nan_to_num(water[part] - close)
        depth[rim[part]] = 0.0
        labels, count = ndimage.label(depth > 1e-6, np.ones((3, 3)))
        if not count:
            return [], water
        number = np.arange(1, count + 1)
        more = ndimage.sum_labels(depth - self._standing[part], labels, number) * self.cell**2
        whole = np.zeros(level.shape, labels.dtype)
        whole[part] = labels
        flat = whole.ravel()
        return [np.flatnonzero(flat == i) for i in number[more > self.rules.pond_m3]], water

    def _skimmed(self, bed: np.ndarray) -> float:
        """Level down to which a pond has to be drained for no more to stand in it than is let pass, with some to spare;
        bed : of its cells, m.
        """
        low = np.sort(bed)
        wet = np.arange(1, len(low) + 1)
        level = (_SPARE_SHARE * self.rules.pond_m3 / self.cell**2 + np.cumsum(low)) / wet
        # of so many of the lowest cells under water, the number whose level stays under the next cell
        return float(level[np.flatnonzero(level <= np.r_[low[1:], np.inf])[0]])

    def _crossing(self, level: np.ndarray, changed: np.ndarray, pond: np.ndarray) -> WaterCrossing | None:
        """The crossing that empties a pond, down to where water stands today; None where no kind is on offer, or where
        no ground that the water runs to today lies low enough.
        """
        columns = level.shape[1]
        today = self.flow.filled.ravel()
        away = ndimage.distance_transform_edt(~changed).ravel()
        bed = np.where(self._standing.ravel() > _NOTHING_M, np.maximum(today, level.ravel()), level.ravel())[pond]
        inlet_m = self._skimmed(bed)
        near = pond[bed <= max(inlet_m, bed.min() + 0.005)]
        inlet = int(near[np.argmin(away[near])])
        busy = changed.ravel().copy()
        busy[pond] = True
        way = [inlet]
        while (nxt := int(self.flow.receiver[way[-1]])) != way[-1]:
            way.append(nxt)
        free = np.flatnonzero(~busy[way] & (today[way] <= inlet_m + _NOTHING_M))
        beyond = free[free > np.flatnonzero(busy[way]).max(initial=0)]
        if not len(beyond):
            return None
        # as near as water gets to that place by itself
        ahead = self.flow.receiver.copy()
        stop = way[int(beyond[0])]
        ahead[busy] = np.flatnonzero(busy)
        ahead[stop] = stop
        while not np.array_equal(further := ahead[ahead], ahead):
            ahead = further
        leaves = ahead == stop
        if self.catchment[pond].max() < self.rules.catchment_m2:
            # so little water may leave by any way that does not come back to the works
            leaves |= ~busy[ahead]
        out = np.flatnonzero(leaves & ~busy & (today <= inlet_m + _NOTHING_M))
        apart, which = cKDTree(np.c_[out // columns, out % columns]).query(np.c_[near // columns, near % columns])
        inlet, end = int(near[np.argmin(apart)]), int(out[which[np.argmin(apart)]])
        place = np.c_[self._x[np.array([inlet, end]) % columns], self._y[np.array([inlet, end]) // columns]]
        length = float(np.hypot(*(place[1] - place[0])))
        outlet_m = float(min(today[end], inlet_m))
        share = np.linspace(0.25, 0.75, 9)
        over = place[0] + share[:, None] * (place[1] - place[0])
        c = np.clip(np.round((over[:, 0] - self._x[0]) / self.cell).astype(int), 0, columns - 1)
        r = np.clip(np.round((self._y[0] - over[:, 1]) / self.cell).astype(int), 0, level.shape[0] - 1)
        cover = float(np.nanmin(level[r, c] - (inlet_m + share * (outlet_m - inlet_m))))
        catchment = float(self.catchment[pond].max())
        kind = self.prices.crossing(length, catchment, max(cover, 0.0))
        if kind is None:
            return None
        return WaterCrossing(kind.name, place, inlet_m, outlet_m, cover, catchment, kind.price(length))
