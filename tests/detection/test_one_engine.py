"""Who gets through is answered in one place: on forty invented sites every way of asking gives what gaps gives."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules, length_of
from geotools.detection.chains import Tile
from geotools.detection.findings import find
from geotools.detection.level_ground import dead_in_chain, dead_spots
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import BeamPair, FenceChain, Zone
from tests.invented_ground import Formula

MAIN = BeamPair("main", HEAD_TYPES["10 GHz"], 0.91, 0.88)
LOW = BeamPair("low", HEAD_TYPES["24 GHz"], 0.30, 0.33)
RULES = Rules(0.2, 2.0, 0.5, {name: TARGETS[name] for name in ("crawl", "prone")})


def line_of(number: int, points: list[tuple[float, float]], pairs, fence="F01") -> Zone:
    """A zone from the first to the second point; every other one sends against the fence line's direction."""
    (x0, y0), (x1, y1) = points
    forward = number % 2 == 1
    line = BeamLine(x0, y0, x1, y1)
    return Zone(f"{fence}-Z{number:03d}", line if forward else line.reversed(), tuple(pairs), fence, number, forward)


def staggered(stagger: float, overlap: float, pairs=(MAIN,)):
    """Three zones in line on flat ground, the posts of the middle one set sideways."""
    a, b = 55.0, 110.0
    lines = [
        [(0.0, 0.0), (a + overlap / 2, 0.0)],
        [(a - overlap / 2, stagger), (b + overlap / 2, stagger)],
        [(b - overlap / 2, 0.0), (165.0, 0.0)],
    ]
    return [line_of(n, points, pairs) for n, points in enumerate(lines, start=1)], lambda x, y: 0.0 * x


def corner(turn_deg: float, past: float, pairs=(LOW, MAIN)):
    """Two zones that cross at a corner, each running past it."""
    turn = np.radians(turn_deg)
    ux, uy = np.cos(turn), np.sin(turn)
    lines = [
        [(0.0, 0.0), (60.0 + past, 0.0)],
        [(60.0 - past * ux, -past * uy), (60.0 + 60.0 * ux, 60.0 * uy)],
    ]
    return [line_of(n, points, pairs) for n, points in enumerate(lines, start=1)], lambda x, y: 0.0 * x


def shaped(height, pairs=(LOW, MAIN), overlap=8.0, stagger=0.0):
    """Two zones in line over a ground of a formula."""
    lines = [[(0.0, 0.0), (60.0 + overlap, 0.0)], [(60.0, stagger), (120.0, stagger)]]
    return [line_of(n, points, pairs) for n, points in enumerate(lines, start=1)], height


def two_fences(apart: float):
    """Two lines side by side, each with zones of its own."""
    first, height = staggered(0.6, 10.0)
    zones = [
        line_of(n, [(x, y + apart) for x, y in ends], (LOW, MAIN), "F02")
        for n, ends in enumerate([[(5.0, 0.0), (70.0, 0.0)], [(62.0, 0.0), (130.0, 0.0)]], start=1)
    ]
    return [*first, *zones], height


def bump(depth: float, at: float, half: float, slope: float = 0.0):
    return lambda x, y: depth * np.exp(-(((x - at) / half) ** 2)) + slope * y + 0.01 * np.sin(x / 3.0)


SITES = {
    **{f"staggered {s:g} m, overlap {o:g} m": staggered(s, o) for s in (0.5, 0.7, 0.9) for o in (6.0, 10.0, 14.0)},
    **{f"staggered {s:g} m, two levels": staggered(s, 8.0, (LOW, MAIN)) for s in (-0.6, 0.8)},
    **{f"corner {t:g} degrees, {p:g} m past": corner(t, p) for t in (30, 60, 90, -90) for p in (0.0, 3.0, 7.0)},
    **{f"kink {t:g} degrees": corner(t, 6.0, (MAIN,)) for t in (3, 8, -12)},
    **{f"dip {d:g} m at {at:g} m": shaped(bump(-d, at, 4.0)) for d in (0.12, 0.3) for at in (30.0, 64.0, 95.0)},
    **{f"crest {d:g} m": shaped(bump(d, 42.0, 7.0)) for d in (0.25, 0.55)},
    **{f"dip on a cross slope of {s:g}": shaped(bump(-0.25, 40.0, 5.0, s), stagger=0.5) for s in (0.05, -0.1)},
    **{f"two fences {a:g} m apart": two_fences(a) for a in (3.0, 6.0)},
    **{f"touching, overlap {o:g} m": shaped(bump(0.0, 0.0, 1.0), overlap=o) for o in (0.5, 3.0)},
}


def perimeter_on(name: str) -> tuple[list[Zone], Perimeter]:
    zones, height = SITES[name]
    return zones, Perimeter(zones, Formula(height), RULES)


def gaps_on(zones: list[Zone], perimeter: Perimeter) -> dict[tuple[str, str], np.ndarray]:
    """Rows that the gaps step calls dead, by zone and threat."""
    rows = {}
    for fence_id in dict.fromkeys(zone.fence_id for zone in zones):
        members = tuple(zone for zone in zones if zone.fence_id == fence_id)
        chain = FenceChain(fence_id, members)
        found = find(Perimeter.of([chain], perimeter.ground, perimeter.rules), Tile(chain, range(len(members))))
        for threat, result in found.threats.items():
            for place, zone in enumerate(members):
                rows[zone.zone_id, threat] = result.stations[place] < perimeter.rules.threshold
    return rows


def test_there_are_enough_sites_and_they_differ():
    assert len(SITES) >= 40
    dead = [sum(int(rows.sum()) for rows in gaps_on(*perimeter_on(name)).values()) for name in list(SITES)[::3]]
    assert len(set(dead)) >= 6 and max(dead) > 50 and min(dead) == 0


@pytest.mark.parametrize("name", SITES)
def test_every_way_of_asking_gives_what_gaps_gives(name):
    zones, perimeter = perimeter_on(name)
    expected = gaps_on(zones, perimeter)
    for zone in zones:
        dead = perimeter.dead(zone.zone_id)
        for threat, rows in dead.items():
            np.testing.assert_array_equal(rows, expected[zone.zone_id, threat], err_msg=f"{zone.zone_id} {threat}")
        # the same asked as a case tried: the zone's own heads as they stand
        own = perimeter.modulation(zone, perimeter.levels(zone.zone_id))
        around = perimeter.dead_around({zone.zone_id: own})
        assert zone.zone_id in around
        for near, by_threat in around.items():
            for threat, rows in by_threat.items():
                np.testing.assert_array_equal(rows, expected[near, threat], err_msg=f"{near} {threat} by trial")
        any_dead = np.any([expected[zone.zone_id, threat] for threat in RULES.targets], axis=0)
        chainage = perimeter.grids[zone.zone_id].chainage_m
        assert perimeter.dead_length(zone.zone_id, dead) == pytest.approx(length_of(any_dead, chainage), abs=1e-9)


@pytest.mark.parametrize("name", list(SITES)[::5])
def test_a_case_tried_is_what_gaps_finds_once_it_stands(name):
    """Heads set to other heights, asked as a trial, and gaps on the perimeter that has them: place by place."""
    zones, perimeter = perimeter_on(name)
    tried = zones[0].with_heights("main", 0.7, 0.78)
    own = perimeter.modulation(tried, perimeter.levels(tried.zone_id))
    around = perimeter.dead_around({tried.zone_id: own})
    standing = [tried, *zones[1:]]
    expected = gaps_on(standing, Perimeter(standing, perimeter.ground, RULES))
    for near, by_threat in around.items():
        for threat, rows in by_threat.items():
            np.testing.assert_array_equal(rows, expected[near, threat], err_msg=f"{near} {threat}")


@pytest.mark.parametrize("name", list(SITES)[::5])
def test_the_weakest_crossing_is_the_same_number_however_it_is_found(name):
    zones, perimeter = perimeter_on(name)
    members = tuple(zone for zone in zones if zone.fence_id == zones[0].fence_id)
    chain = FenceChain(zones[0].fence_id, members)
    found = find(Perimeter.of([chain], perimeter.ground, RULES), Tile(chain, range(len(members))))
    for zone in members:
        expected = min(found.weakest(threat, zone.zone_id) for threat in RULES.targets)
        assert perimeter.weakest(zone.zone_id) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("name", [n for n in SITES if n.startswith(("staggered", "corner", "kink", "two fences"))])
def test_what_is_said_of_level_ground_is_what_gaps_finds_on_a_flat_site(name):
    zones, perimeter = perimeter_on(name)
    expected = gaps_on(zones, perimeter)
    for fence_id in dict.fromkeys(zone.fence_id for zone in zones):
        members = tuple(zone for zone in zones if zone.fence_id == fence_id)
        for zone_id, said in dead_in_chain(RULES, FenceChain(fence_id, members)).items():
            for threat, rows in said.dead.items():
                np.testing.assert_array_equal(rows, expected[zone_id, threat], err_msg=f"{zone_id} {threat}")


@pytest.mark.parametrize("pairs", [(MAIN,), (LOW, MAIN)], ids=["one level", "two levels"])
@pytest.mark.parametrize("length", [30.0, 47.3, 100.0])
def test_the_dead_spot_before_a_head_is_the_one_that_gaps_finds_at_an_open_end(pairs, length):
    zone = line_of(1, [(0.0, 0.0), (length, 0.0)], pairs)
    chain = FenceChain("F01", (zone,))
    found = find(Perimeter.of([chain], Formula(lambda x, y: 0.0 * x), RULES), Tile(chain, range(1)))
    (said,) = dead_spots(RULES, [(tuple(pairs), length)])
    for threat, before in said.items():
        spots = [spot for spot, _ in found.spots[threat, zone.zone_id]]
        if any(spot.from_m <= length / 2 <= spot.to_m for spot in spots):
            assert np.isinf(before)
        else:
            ends = [spot.to_m if spot.to_m < length / 2 else length - spot.from_m for spot in spots]
            assert before == pytest.approx(max(ends, default=0.0), abs=1e-9)
