"""Every rule of a layout, just kept and just broken, at each end of its range.

Red when a rule holds farther than it says, forgets one end of a zone or the seam of a ring, or names another place.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import box

from geotools.site.obstacles import KINDS, Obstacle
from geotools.steps.layout.checks import EndDetection, ExaminedStrip, LayoutLimits, check_chain, check_zone
from geotools.steps.layout.kernel import _roles
from geotools.steps.layout.roles import mixed_junctions

BAND = 10.525e9
LIMITS = LayoutLimits(100.0, 10.0, 5.0, 0.5, 1.0, 0.3, 0.0, BAND)
CLOSED = EndDetection({}, 4.0)
OPEN = box(-300, -300, 300, 300)


def strip(name, start, end, *, tx=True, ends=(CLOSED, CLOSED), ranges=()):
    return ExaminedStrip(name, np.array(start, float), np.array(end, float), ("A",), ("B",), tx, ranges, ends)


def names(found):
    return [one.rule for one in found]


def test_each_rule_holds_to_its_limit_and_no_farther():
    for length, fine in ((100.01, True), (100.03, False), (9.99, True), (9.97, False)):
        found = list(check_zone(strip("Z", (0, 0), (length, 0)), OPEN, LIMITS))
        assert [(one.rule, one.at) for one in found] == ([] if fine else [("zone length", (length / 2, 0.0))])
        ranged = strip("Z", (0, 0), (length, 0), ranges=(("10 GHz", 10.0, 100.0), ("24 GHz", 1.0, 300.0)))
        found = names(check_zone(ranged, OPEN, replace(LIMITS, longest_m=500.0, shortest_m=1.0)))
        assert found == ([] if fine else ["range of the heads"])
    for beyond, fine in ((0.01, True), (0.05, False)):
        ground = box(beyond, -9, 99, 9)
        assert ("post off the clear ground" in names(check_zone(strip("Z", (0, 0), (60, 0)), ground, LIMITS))) != fine
    close = replace(LIMITS, post_clear_m=2.0)
    for away, fine in ((1.74, True), (1.72, False)):
        found = names(check_zone(strip("Z", (0, 0), (60, 0)), box(-away, -9, 99, 9), close))
        assert found == ([] if fine else ["post close to a fence"])
    pond = next(kind for kind in KINDS if not Obstacle("", OPEN, kind).posts and Obstacle("", OPEN, kind).crossed)
    for away, fine in ((1.99, True), (1.97, False)):
        one = Obstacle("the pond", box(-9, away, 9, 9), pond)
        found = list(check_zone(strip("Z", (0, 0), (60, 0)), OPEN, replace(close, obstacles=(one,))))
        assert names(found) == ([] if fine else ["post where none may stand"])
    half = 0.5 * np.sqrt(299792458.0 / BAND * 60.0) + 0.3
    for room, fine in ((half - 0.01, True), (half - 0.2, False)):
        found = list(check_zone(strip("Z", (0, 0), (60, 0)), box(-9, -room, 99, 9), LIMITS))
        assert names(found) == ([] if fine else ["beam touches fence or keep-out"])
        if not fine:
            assert found[0].found.startswith(f"{0.2:.2f} m too wide over") and 20 < found[0].at[0] < 40
            # a radius of the first zone to either side, half of it as it is asked for here
            assert found[0].expected.startswith(f"{2 * (half - 0.3):.2f} m wide at mid-span and 0.3 m free")


def test_what_a_beam_touches_is_named_up_to_three_of_them():
    wall = next(kind for kind in KINDS if not Obstacle("", OPEN, kind).crossed)
    several = tuple(Obstacle(f"wall {n}", box(10 * n, 0.0, 10 * n + 1, 9), wall) for n in range(1, 5))
    where = OPEN.intersection(box(-9, -9, 45, 0.01))
    words = [one.words for one in several]
    for count in range(5):
        named = replace(LIMITS, obstacles=several[:count]).named(where)
        assert named == (f", on {', '.join(words[: min(count, 3)])}" if count else "")
    # touching is within 2 cm, and what may be crossed is not named
    assert replace(LIMITS, obstacles=several[:1]).named(box(0, -9, 45, -0.03)) == ""
    pond = next(kind for kind in KINDS if Obstacle("", OPEN, kind).crossed)
    assert replace(LIMITS, obstacles=(Obstacle("pond", OPEN, pond),)).named(where) == ""


def test_two_zones_in_line_overlap_and_stand_aside():
    def found(overlap, aside=0.5, angle=0.0):
        a = strip("A", (0, 0), (60, 0), tx=True)
        start = np.array([60.0 - overlap, aside])
        way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        return names(check_chain([a, strip("B", start, start + 60 * way, tx=False)], LIMITS, closed=False))

    # 0.995 * 5 - 0.05 = 4.925 m
    assert found(4.93) == [] and found(4.92) == ["overlap"] and found(4.92, angle=11.0) == []
    # less than 0.35 of the stagger beside the axis
    assert found(6.0, 0.18) == [] and found(6.0, 0.17) == ["post in a beam's axis"] * 2
    assert found(6.0, -0.17) == ["post in a beam's axis"] * 2


def test_a_ring_is_checked_at_its_seam_and_a_line_at_its_ends():
    dead = EndDetection({"crawl": 3.0, "walk": 5.0}, 4.0)
    a = strip("A", (0, 0), (60, 0), tx=True, ends=(dead, CLOSED))
    b, c = strip("B", (58, -2), (58, 40), tx=False), strip("C", (60, 38), (0, 40), tx=True)
    d = strip("D", (2, 42), (2, -2), tx=False)
    ring = check_chain([a, b, c, d], LIMITS, closed=True)
    assert [(one.rule, one.zone_id, one.found) for one in ring] == [
        ("junction open", "D A", "5.0 m of the line let walk through")
    ]
    line = check_chain([a, b, c, d], LIMITS, closed=False)
    assert [(one.rule, one.zone_id, one.at) for one in line] == [("open end", "A", (0.0, 0.0))]
    assert line[0].found == "dead spot of 5.0 m with no neighbour"
    last = check_chain([b, c, replace(a, ends=(CLOSED, dead), starts_with_tx=False)], LIMITS, closed=False)
    assert ("open end", "A", (60.0, 0.0)) in [(one.rule, one.zone_id, one.at) for one in last]
    assert check_chain([a], LIMITS, closed=True) == [] and check_chain([], LIMITS, closed=False) == []
    both = [replace(a, ends=(CLOSED, dead)), replace(b, ends=(EndDetection({"crawl": 9.0}, 4.0), CLOSED))]
    assert "12.0 m of the line let crawl" in check_chain(both, LIMITS, closed=False)[0].found
    mixed = check_chain([a, replace(b, starts_with_tx=True)], LIMITS, closed=False)
    assert [(one.rule, one.zone_id) for one in mixed] == [("open end", "A"), ("transmitter beside receiver", "A B")]
    assert (mixed[1].expected, mixed[1].mend) == ("like beside like", "swap the roles of one zone")
    # halfway between the two posts
    assert mixed[1].at == (59.0, -1.0)
    odd = check_chain([replace(a, ends=(CLOSED, CLOSED)), b, c], LIMITS, closed=True)
    assert [(one.rule, "unavoidable" in one.found) for one in odd] == [("transmitter beside receiver", True)]
    assert odd[0].expected.startswith("one such junction") and odd[0].mend.startswith("give the two zones different")


def test_the_seam_of_a_ring_of_two_is_a_junction_too():
    """Somebody crawls through where the second ends and the first begins."""
    dead = EndDetection({"crawl": 4.0}, 4.0)
    one = strip("Z1", (0, 0), (60, 0), ends=(dead, CLOSED))
    two = strip("Z2", (60, -2), (0, -2), tx=False, ends=(CLOSED, dead))
    found = {conflict.rule: conflict.zone_id for conflict in check_chain([one, two], LIMITS, closed=True)}
    assert found == {"junction open": "Z2 Z1"}
    assert set(names(check_chain([one, two], LIMITS, closed=False))) == {"open end"}


@pytest.mark.parametrize("held", [[True, True], [False, False, True]])
def test_zones_whose_roles_are_held_keep_them(held):
    """Though like heads would meet with other roles."""
    spans = [SimpleNamespace(starts_with_tx=role) for role in held]
    assert _roles(spans, [], None, closed=False).tolist() == held
    free = [SimpleNamespace(starts_with_tx=None) for _ in held]
    assert mixed_junctions(_roles(free, [], None, closed=False), closed=False).size == 0
