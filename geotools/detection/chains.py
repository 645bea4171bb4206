"""The zones of a plan, fence line by fence line, and the tiles in which a long fence line is examined."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from geopandas import GeoDataFrame
from shapely import is_ccw

from geotools.detection.from_plan import rules_of, zones_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.unanswered import answerable, zones_without_ground
from geotools.errors import StepError
from geotools.plan.model import FenceChain, Zone
from geotools.plan.schema import BEAMS, FENCE, ZONES, LayerSchema
from geotools.plan.zones import is_yes
from geotools.site import Site
from geotools.terrain.design import Ground

__all__ = ["Tile", "chains_of", "perimeter_of", "tiles", "tiles_of"]

Plan = Callable[[LayerSchema], GeoDataFrame]

#: Zones of a fence line examined together, and how many of its neighbours are taken along on either side so that ways
#: and beams that reach over are in: memory is bounded by this, not by the site.
TILE_ZONES, MARGIN_ZONES = 32, 3


def chains_of(site: Site, zones: GeoDataFrame, beams: GeoDataFrame, fences: GeoDataFrame) -> list[FenceChain]:
    """Every zone of the plan, in the order of its fence line.

    Parameters
    ----------
    site : Site
        Its head types, and which side is inside.
    zones, beams, fences : GeoDataFrame
        Layers of the plan.

    Raises
    ------
    StepError
        Where layers do not belong together.
    """
    standing = {zone.zone_id: zone for zone in zones_of(site, beams)}
    # a zone whose heads are gone covers nothing: its fence has no beam
    rows = zones[zones.zone_id.isin(list(standing))].sort_values(["fence_id", "number", "zone_id"])
    if not len(rows):
        raise StepError(
            "the plan has no zone with beams",
            where="layers zones and beams",
            found=f"{len(zones)} zones, {len(beams)} beams",
            expected="one zone or more with a beam",
            mend="run `geotools layout` again",
        )
    lines = fences.set_index("fence_id")
    found = []
    for fence_id, members in rows.groupby("fence_id", sort=True):
        placed = tuple(
            replace(
                standing[row.zone_id],
                fence_id=str(fence_id),
                number=int(row.number),
                forward=row.start_role == "transmitter",
                # frames that a caller hands in may come without the field
                locked=is_yes(getattr(row, "locked", None)),
            )
            for row in members.itertuples()
        )
        closed, inside_left = _sides(lines, str(fence_id), site.layout.side)
        whole = len(placed) == int((zones.fence_id == fence_id).sum()) and _meets(placed)
        found.append(FenceChain(str(fence_id), placed, closed and whole and len(placed) > 2, inside_left))
    return found


def perimeter_of(site: Site, plan: Plan, ground: Ground, warn: Callable[[str], None] | None = None) -> Perimeter:
    """Every zone of the plan on a ground whose strip has levels everywhere; InputError where none has.

    Parameters
    ----------
    site : Site
        Its rules of detection.
    plan : Plan
        Reads the plan's layers by their schema.
    ground : Ground
        Existing, proposed or as built.
    warn : Callable, optional
        Is given a sentence for each zone that is left out, because the ground has no level somewhere in its strip. If
        not given, such a zone is refused.
    """
    fences = plan(FENCE)
    chains, rules = chains_of(site, plan(ZONES), plan(BEAMS), fences), rules_of(site, fences)
    perimeter = Perimeter.of(chains, ground, rules)
    left_out = zones_without_ground(perimeter)
    if left_out and (warn is None or len(left_out) == len(perimeter.zones)):
        perimeter.check_ground()
    if warn is not None:
        for text in left_out.values():
            warn(text)
    return answerable(perimeter, chains, left_out) if left_out else perimeter


def _meets(zones: tuple[Zone, ...]) -> bool:
    """Whether the last zone of a ring comes as near to the first as a zone is long."""
    last, first = zones[-1].along_fence, zones[0].along_fence
    apart = float(np.hypot(first.x0 - last.x1, first.y0 - last.y1))
    return apart <= min(first.length, last.length)


def _sides(lines: GeoDataFrame, fence_id: str, side: str) -> tuple[bool, bool]:
    """Whether the fence line closes, and whether the guarded ground lies left of it."""
    if fence_id not in lines.index:
        return False, side != "right"
    line = lines.geometry[fence_id]
    if line.is_ring:
        return True, bool(is_ccw(line))
    return False, side != "right"


def tiles(count: int, closed: bool) -> Iterator[tuple[list[int], range]]:
    """Places along a fence line that are examined together, and which of that list are answered for."""
    if count <= TILE_ZONES + 2 * MARGIN_ZONES:
        yield list(range(count)), range(count)
        return
    for start in range(0, count, TILE_ZONES):
        stop = min(start + TILE_ZONES, count)
        places = range(start - MARGIN_ZONES, stop + MARGIN_ZONES)
        kept = [place % count for place in places] if closed else [p for p in places if 0 <= p < count]
        first = MARGIN_ZONES if closed else start - max(start - MARGIN_ZONES, 0)
        yield kept, range(first, first + stop - start)


@dataclass(frozen=True)
class Tile:
    """Zones of one fence line that are examined together; those at the places ``core`` are those to answer for.

    chain : with the zones of this tile alone, ``closed`` only where they are all there are.
    """

    chain: FenceChain
    core: range

    @property
    def asked(self) -> list[str]:
        """Names of the zones in question."""
        return [self.chain.zones[place].zone_id for place in self.core]


def tiles_of(chain: FenceChain) -> list[Tile]:
    """The tiles of a fence line, each with the zones it needs and no more."""
    count = len(chain.zones)
    return [
        Tile(
            replace(
                chain,
                zones=tuple(chain.zones[place] for place in places),
                closed=chain.closed and len(places) == count,
            ),
            core,
        )
        for places, core in tiles(count, chain.closed)
    ]
