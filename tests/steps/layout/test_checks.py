"""Each rule is broken by hand, one at a time, and named; a sound chain breaks none."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import box

from geotools.detection.level_answers import named_in_runs
from geotools.steps.layout.checks import EndDetection, ExaminedStrip, LayoutLimits, check_chain, check_zone

LIMITS = LayoutLimits(
    longest_m=100,
    shortest_m=10,
    overlap_m=5,
    stagger_m=0.5,
    fresnel_zones=1.0,
    margin_m=0.3,
    post_clear_m=0.0,
    frequency_hz=10.525e9,
)
GROUND = box(-10, -3, 210, 3)


CLOSED = EndDetection({}, 4.0)
DEAD_END = EndDetection({"crawl": 4.0}, 4.0)


def zone(name, start, end, *, tx=True, ends=(CLOSED, CLOSED)):
    return ExaminedStrip(
        name,
        np.array(start, float),
        np.array(end, float),
        (f"{name}-A",),
        (f"{name}-B",),
        tx,
        (("10 GHz", 3.0, 150.0),),
        ends,
    )


A = zone("Z1", (0, -0.25), (95, 0.25))
B = zone("Z2", (85, -0.25), (180, 0.25), tx=False)


def rules(found):
    return [conflict.rule for conflict in found]


def test_a_sound_chain_breaks_no_rule():
    assert rules(check_zone(A, GROUND, LIMITS)) == []
    assert rules(check_chain([A, B], LIMITS, closed=False)) == []


def test_an_open_end_with_a_dead_spot_is_listed_and_a_covered_one_not():
    first, last = replace(A, ends=(DEAD_END, CLOSED)), replace(B, ends=(CLOSED, DEAD_END))
    found = check_chain([first, last], LIMITS, closed=False)
    assert rules(found) == ["open end", "open end"]
    assert [conflict.heads for conflict in found] == [("Z1-A",), ("Z2-B",)]
    assert "4.0 m" in found[0].found


def test_too_long_and_out_of_range():
    long = zone("Z1", (0, 0), (190, 0))
    assert rules(check_zone(long, GROUND, LIMITS)) == ["zone length", "range of the heads"]


def test_too_short():
    (found,) = check_zone(zone("Z1", (0, 0), (9.5, 0)), GROUND, LIMITS)
    assert found.rule == "zone length"
    assert "9.5" in found.found and found.expected.startswith("10 to 100 m")


def test_post_outside_names_its_heads_only():
    out = zone("Z1", (0, 0), (95, 4.5))
    found = list(check_zone(out, GROUND, LIMITS))
    assert rules(found) == ["post off the clear ground", "beam touches fence or keep-out"]
    assert found[0].heads == ("Z1-B",)
    assert found[0].found == "1.50 m outside"


def test_beam_wider_than_the_corridor():
    # first Fresnel radius midway of 95 m at 10.525 GHz: 17.3 sqrt(0.0475^2 / (10.525 x 0.095)) = 0.82 m; with 0.3 m
    # margin 1.12 m on either side, in a corridor of 0.9 m on either side
    narrow = box(-10, -0.9, 210, 0.9)
    (found,) = check_zone(zone("Z1", (0, 0), (95, 0)), narrow, LIMITS)
    assert found.rule == "beam touches fence or keep-out"
    assert float(found.found.split()[0]) == pytest.approx(0.22, abs=0.02)


def test_overlap_too_short_is_listed():
    later = zone("Z2", (93, -0.25), (180, 0.25), tx=False)
    (found,) = check_chain([A, later], LIMITS, closed=False)
    assert found.rule == "overlap"
    assert found.heads == ("Z1-B", "Z2-A")
    assert float(found.found.split()[0]) == pytest.approx(2.0, abs=0.1)


def test_an_open_junction_says_who_gets_through_and_over_how_many_metres():
    a = replace(A, ends=(CLOSED, EndDetection({"crawl": 2.5, "prone": 1.0}, 4.0)))
    b = replace(B, ends=(EndDetection({"crawl": 1.5}, 4.0), CLOSED))
    (found,) = check_chain([a, b], LIMITS, closed=False)
    assert (found.rule, found.heads) == ("junction open", ("Z1-B", "Z2-A"))
    assert found.found == "4.0 m of the line let crawl through"


def test_one_post_in_the_other_zones_axis():
    a, b = zone("Z1", (0, 0), (95, 0)), zone("Z2", (85, 0), (180, 0), tx=False)
    assert rules(check_chain([a, b], LIMITS, closed=False)).count("post in a beam's axis") == 2


def test_unlike_heads_at_a_junction():
    found = check_chain([A, replace(B, starts_with_tx=True)], LIMITS, closed=False)
    assert "transmitter beside receiver" in rules(found)


def test_dead_spots_longer_than_the_zone_are_said():
    dead = EndDetection({"crawl": 4.0}, np.inf)
    short = zone("Z1", (0, 0), (12, 0), ends=(dead, dead))
    found = check_chain([short, zone("Z2", (8, 0), (60, 0), tx=False)], LIMITS, closed=False)
    assert "Z1 detects nothing of it even at mid-span" in found[0].found


def test_stacks_that_answer_no_threat_leave_the_junction_open():
    nothing = EndDetection({}, 0.0, answered=False)
    found = check_chain([replace(A, ends=(CLOSED, nothing)), B], LIMITS, closed=False)
    assert (found[0].rule, found[0].found) == ("junction open", "the stacks detect none of the threats")


@pytest.mark.parametrize(
    ("numbers", "said"),
    [((3,), "Z3"), ((1, 2, 3), "Z1 to Z3"), ((1, 2, 4), "Z1 to Z2, Z4"), ((1, 3, 4, 5), "Z1, Z3 to Z5")],
)
def test_zones_of_one_stack_are_named_without_those_between_them(numbers, said):
    zones = [SimpleNamespace(zone_id=f"Z{number}") for number in range(1, 6)]
    assert named_in_runs([zones[number - 1] for number in numbers], zones) == said
