"""Each rule is broken by hand, one at a time, and named; a sound chain breaks none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import box

from geotools.steps.layout.checks import ExaminedStrip, LayoutLimits, check_chain, check_zone, seen_part

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


def seen(dead):
    """First Fresnel radius of a 95 m beam (ITU-R P.530) from the dead spot on: a strip of known shape."""
    x = np.linspace(0, 47.5, 96)
    return np.vstack([x, np.where(x >= dead, 17.3 * np.sqrt(x / 1e3 * (95 - x) / 1e3 / (10.525 * 0.095)), 0.0)])


def zone(name, start, end, *, tx=True, dead=4.0):
    return ExaminedStrip(
        name,
        np.array(start, float),
        np.array(end, float),
        (f"{name}-A",),
        (f"{name}-B",),
        tx,
        (("10 GHz", 3.0, 183.0),),
        dead,
        seen(dead),
    )


A = zone("Z1", (0, -0.25), (95, 0.25))
B = zone("Z2", (85, -0.25), (180, 0.25), tx=False)


def rules(found):
    return [conflict.rule for conflict in found]


def test_a_sound_chain_breaks_no_rule():
    assert rules(check_zone(A, GROUND, LIMITS)) == []
    assert rules(check_chain([A, B], replace(LIMITS), closed=False)) == ["open end", "open end"]
    assert rules(check_chain([replace(A, dead_m=0.0), replace(B, dead_m=0.0)], LIMITS, closed=False)) == []


def test_too_long_and_out_of_range():
    long = zone("Z1", (0, 0), (190, 0))
    assert rules(check_zone(long, GROUND, LIMITS)) == ["zone length", "range of the heads"]


def test_too_short():
    (found,) = check_zone(zone("Z1", (0, 0), (9.5, 0), dead=0.0), GROUND, LIMITS)
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


def test_overlap_too_short_leaves_the_junction_open():
    later = zone("Z2", (93, -0.25), (180, 0.25), tx=False)
    assert rules(check_chain([A, later], LIMITS, closed=False))[:2] == ["junction open", "overlap"]
    found = check_chain([A, later], LIMITS, closed=False)[0]
    assert found.heads == ("Z1-B", "Z2-A")
    # 95 - 4 = 91 and 93 + 4 = 97: 6 m apart
    assert float(found.found.split()[0]) == pytest.approx(6.0, abs=0.2)


def test_corner_is_closed_only_where_both_beams_run_past_it():
    first = zone("Z1", (0, 0), (55, 0))
    good = zone("Z2", (50, -5), (50, 50), tx=False)
    short = zone("Z2", (50, -2), (50, 50), tx=False)
    assert "junction open" not in rules(check_chain([first, good], LIMITS, closed=False))
    assert "junction open" in rules(check_chain([first, short], LIMITS, closed=False))


def test_one_post_in_the_other_zones_axis():
    a, b = zone("Z1", (0, 0), (95, 0)), zone("Z2", (85, 0), (180, 0), tx=False)
    assert rules(check_chain([a, b], LIMITS, closed=False)).count("post in a beam's axis") == 2


def test_unlike_heads_at_a_junction():
    found = check_chain([A, replace(B, starts_with_tx=True)], LIMITS, closed=False)
    assert "transmitter beside receiver" in rules(found)


def test_dead_spots_longer_than_the_zone_are_said():
    short = zone("Z1", (0, 0), (12, 0), dead=7.0)
    assert seen_part(short).is_empty
    found = check_chain([short, zone("Z2", (8, 0), (60, 0), tx=False)], LIMITS, closed=False)
    assert "shorter than its two dead spots" in found[0].found


def test_seen_part_is_the_given_strip_between_the_dead_spots():
    part = seen_part(A)
    assert part.bounds[0] == pytest.approx(4.0, abs=0.05)
    assert part.bounds[2] == pytest.approx(91.0, abs=0.05)
    across = shapely.intersection(part, shapely.LineString([(47.5, -5), (47.5, 5)])).length
    assert across == pytest.approx(2 * 17.3 * np.sqrt(0.0475**2 / (10.525 * 0.095)), rel=5e-3)
