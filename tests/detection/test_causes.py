"""What is named as the cause of a dead spot: never the ground where it is level, the junction where one is open."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.detection.chains import Tile
from geotools.detection.findings import Findings, find
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import FenceChain, Zone
from tests.detection.test_one_engine import RULES, SITES, staggered
from tests.invented_ground import Formula

LEVEL = [name for name in SITES if name.startswith(("staggered", "corner", "kink", "two fences"))]
#: What ground can do, and what it cannot.
OF_THE_GROUND = {"dip", "shadow"}
GROUNDS = {
    "level": lambda x, y: 0.0 * x,
    "a plane that falls along and across": lambda x, y: 0.04 * x - 0.03 * y,
    "survey noise of 5 mm": lambda x, y: 0.005 * np.sin(2.1 * x + 0.3) * np.cos(1.7 * y),
}


def findings(zones: list[Zone], ground: Formula) -> list[Findings]:
    found = []
    for fence_id in dict.fromkeys(zone.fence_id for zone in zones):
        chain = FenceChain(fence_id, tuple(zone for zone in zones if zone.fence_id == fence_id))
        tile = Tile(chain, range(len(chain.zones)))
        found.append(find(Perimeter.of([chain], ground, RULES), tile))
    return found


def spots(found: Findings):
    """Zone, its place in the chain, dead spot and cause, with chainages along the fence line."""
    zones = list(found.perimeter.zones.values())
    for (_, zone_id), named in found.spots.items():
        zone = found.perimeter.zones[zone_id]
        for spot, cause in named:
            ends = np.array([spot.from_m, spot.to_m])
            along = ends if zone.forward else zone.line.length - ends[::-1]
            yield zone, zones.index(zone), (float(along[0]), float(along[1])), cause


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("name", LEVEL)
def test_level_ground_is_never_blamed(name, ground):
    zones, _ = SITES[name]
    for found in findings(zones, Formula(GROUNDS[ground])):
        assert not {cause for _, _, _, cause in spots(found)} & OF_THE_GROUND


@pytest.mark.parametrize("name", LEVEL)
def test_a_dead_spot_at_a_junction_is_named_after_it_and_one_at_an_open_end_is_not(name):
    zones, _ = SITES[name]
    expected = "corner" if name.startswith("corner") else "junction"
    for found in findings(zones, Formula(GROUNDS["level"])):
        count = len(found.perimeter.zones)
        for zone, place, (start, end), cause in spots(found):
            length = zone.line.length
            if end - start > length / 2:
                continue  # a threat that the whole zone lets through
            at_start, at_end = end < min(15.0, length / 4), start > length - min(15.0, length / 4)
            if (at_start and place > 0) or (at_end and place < count - 1):
                assert cause == expected, f"{zone.zone_id} {start:.1f} to {end:.1f} m"
            elif at_start or at_end:
                assert cause == "near_head", f"{zone.zone_id} {start:.1f} to {end:.1f} m"


def test_the_staggered_posts_are_told_as_open_junctions():
    """Posts 0.7 m off, overlapping by 6 m: a crawler gets through at both junctions, and both are named so."""
    zones, _ = staggered(0.7, 6.0)
    (found,) = findings(zones, Formula(GROUNDS["level"]))
    middles = [
        zone.along_fence.x0 + (start + end) / 2
        for zone, _, (start, end), cause in spots(found)
        if cause == "junction" and end - start < zone.line.length / 2
    ]
    for junction in (55.0, 110.0):
        assert any(abs(middle - junction) < 6.0 for middle in middles), f"{middles} names none at {junction} m"
    assert all(min(abs(middle - junction) for junction in (55.0, 110.0)) < 15.0 for middle in middles)
