"""What movers that are no threat give beside the beams of a zone, wherever they are.

The beams are those that detection solves, on the same ground; a mover beside a beam is met by the same field.
"""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from geotools.beam.cross_section import squared
from geotools.beam.movers import Mover
from geotools.beam.nuisance import MoverGround, NuisanceRequest, NuisanceResponse
from geotools.corridor import BeamLine, StripGrid
from geotools.detection.perimeter import Perimeter
from geotools.engine.batching import look_at
from geotools.plan import ids
from geotools.plan.model import BeamPair, Zone

__all__ = ["Answered", "Strongest", "ZoneNuisance", "nuisance_of", "reach_of"]

Floats = NDArray[np.float64]
#: What pairs of heads on a line have given already.
Answered = MutableMapping[tuple[BeamLine, BeamPair], NuisanceResponse]

#: Spacing of the places beside a beam that movers are looked for at, m.
_ACROSS_M = 0.5


@dataclass(frozen=True)
class Strongest:
    """Where a mover gives a zone its strongest response, of the places where it may be.

    modulation : as built. high : with what is not known exactly. beam_id : the pair of heads that meets it.
    x, y : on the map, m. chainage_m, offset_m : on the zone.
    """

    mover: Mover
    modulation: float
    high: float
    beam_id: str
    x: float
    y: float
    chainage_m: float
    offset_m: float


@dataclass(frozen=True)
class ZoneNuisance:
    """Responses of one zone.

    grid : places beside its beam line, n chainages by k offsets. movers : by name. beam_ids : its pairs of heads.
    modulation, high : (beams, movers, n, k), as built and with what is not known exactly.
    """

    grid: StripGrid
    movers: Mapping[str, Mover]
    beam_ids: tuple[str, ...]
    modulation: Floats
    high: Floats

    def best(self, name: str) -> Floats:
        """Largest modulation of a mover over the zone's beams, (n, k)."""
        return np.asarray(self.modulation[:, list(self.movers).index(name)].max(axis=0))

    def answered(self, zone: Zone, names: Sequence[str]) -> Answered:
        """What its pairs of heads, those of the zone, gave for some of its movers."""
        held = list(self.movers)
        at = [held.index(name) for name in names]
        return {
            (zone.line, pair): NuisanceResponse(self.modulation[beam][at], self.high[beam][at])
            for beam, pair in enumerate(zone.pairs)
        }

    def strongest(self, name: str, x: Floats, y: Floats, nearer_m: float = 0.0) -> Strongest | None:
        """The strongest response of a mover that may be at these places of the map, (m,) m; None where none is near.

        nearer_m : by how much it may be nearer to the beam line than its place says.
        """
        i, j, inside = self.grid.locate(x, y)
        if not inside.any():
            return None
        x, y = x[inside], y[inside]
        at, number = np.array([i[inside], j[inside]]), list(self.movers).index(name)
        met = np.array([_looked_up(one[number], at) for one in self.modulation])
        middle = self.grid.offset_m.size // 2
        aside = at[1] - middle
        nearer = np.sign(aside) * np.maximum(np.abs(aside) - nearer_m / self.grid.spacing_m[1], 0.0) + middle
        high = np.array([_looked_up(one[number], np.array([at[0], nearer])) for one in self.high])
        beam, place = np.unravel_index(int(met.argmax()), met.shape)
        along, across = self.grid.line.from_map(x[place], y[place])
        return Strongest(
            self.movers[name],
            float(met[beam, place]),
            float(max(high.max(), met.max())),
            self.beam_ids[beam],
            float(x[place]),
            float(y[place]),
            float(along),
            float(across),
        )


def _looked_up(values: Floats, at: Floats) -> Floats:
    return np.asarray(map_coordinates(values, at, order=1, mode="nearest"))


def nuisance_of(
    perimeter: Perimeter,
    zone_ids: Sequence[str],
    movers: Mapping[str, Mover],
    reach_m: float,
    *,
    larger: float = 0.0,
    aim_deg: float = 0.0,
    answered: Answered | None = None,
) -> dict[str, ZoneNuisance]:
    """Responses of every mover beside zones, by zone.

    Parameters
    ----------
    perimeter : Perimeter
        The zones on their ground.
    zone_ids : sequence of str
        Zones in question.
    movers : mapping of str to Mover
        By name.
    reach_m : float
        How far to either side of a beam line movers are looked for, m. Where the terrain has no level a mover stands as
        high as the nearest ground of its cross section that is known.
    larger, aim_deg : float
        What is not known exactly: share by which movers may be larger, degrees by which both heads may point aside.
    answered : mapping, optional
        Pairs of heads that were asked the same before, on the same ground; new ones are put into it.
    """
    known: Answered = {} if answered is None else answered
    asked, keys, grids = [], [], {}
    for zone_id in zone_ids:
        zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
        half = max(int(np.ceil(reach_m / _ACROSS_M - 1e-9)), 1)
        offsets = np.linspace(-half * _ACROSS_M, half * _ACROSS_M, 2 * half + 1)
        grid = grids[zone_id] = StripGrid(zone.line, strip.chainage_m, offsets)
        wanted = [pair for pair in zone.pairs if (zone.line, pair) not in known]
        if not wanted:
            continue
        above = _filled(perimeter.ground.sample(*grid.map_xy())) - strip.line_ground_m[:, None]
        across, height = squared(offsets, above, strip.cross_slope_rad)
        around = MoverGround(across, strip.beam_ground_m[:, None] + height)
        for pair in wanted:
            name = ids.beam_id(zone_id, pair.level)
            beam = strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m, name=name)
            asked.append((beam, NuisanceRequest(around, tuple(movers.values()), larger, aim_deg)))
            keys.append((zone.line, pair))
    known.update(zip(keys, look_at(asked) if asked else [], strict=True))
    found = {}
    for zone_id in zone_ids:
        zone = perimeter.zones[zone_id]
        mine = [known[zone.line, pair] for pair in zone.pairs]
        if mine:
            found[zone_id] = ZoneNuisance(
                grids[zone_id],
                movers,
                tuple(ids.beam_id(zone_id, pair.level) for pair in zone.pairs),
                np.array([one.modulation for one in mine]),
                np.array([one.high for one in mine]),
            )
    return found


def _filled(level: Floats) -> Floats:
    """Levels (n, k) with the nearest known one of the same row where none is known; the beam line's is known."""
    middle = level.shape[1] // 2
    for columns in (range(middle + 1, level.shape[1]), range(middle - 1, -1, -1)):
        for j in columns:
            before = level[:, j - 1 if j > middle else j + 1]
            level[:, j] = np.where(np.isfinite(level[:, j]), level[:, j], before)
    return level


def reach_of(response: Floats, offset_m: Floats, threshold: float) -> tuple[Floats, Floats]:
    """How far to the left and to the right of a beam line a mover still reaches the threshold, (n,) m each.

    Parameters
    ----------
    response : (n, k) modulation.
    offset_m : (k,) metres, symmetric, positive to the left.
    threshold : modulation that alarms.

    Returns
    -------
    left, right : 0 where it never does; between two places linear in the response.
    """
    middle = offset_m.size // 2
    step = float(offset_m[1] - offset_m[0])
    found = []
    for half in (response[:, middle:], response[:, middle::-1]):
        over = half >= threshold
        last = np.where(over.any(axis=1), half.shape[1] - 1 - over[:, ::-1].argmax(axis=1), -1)
        rows = np.arange(half.shape[0])
        inner = half[rows, np.maximum(last, 0)]
        outer = half[rows, np.minimum(last + 1, half.shape[1] - 1)]
        part = np.where(inner > outer, (inner - threshold) / np.where(inner > outer, inner - outer, 1.0), 0.0)
        found.append(np.where(last < 0, 0.0, (last + np.clip(part, 0.0, 1.0)) * step))
    return found[0], found[1]
