"""Stacks over level ground against the trade's expectations (common practice, no source), with tolerances as stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, OVER_FENCE, TARGETS, solve_beam
from geotools.detection.cases import Rules
from geotools.detection.height_band import height_bands
from geotools.detection.level_ground import dead_spots, detected_half_width, level_pair, level_zone
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import BeamPair
from tests.invented_ground import Formula

#: Over a fence of 2.2 m.
BRIDGE = OVER_FENCE["bridge"].raised(2.2)

MAIN = level_pair("main", HEAD_TYPES["10 GHz"], 0.91)
LOW = level_pair("low", HEAD_TYPES["24 GHz"], 0.30)
TOP = level_pair("top", HEAD_TYPES["10 GHz"], 2.44)


def rules(*threats: str) -> Rules:
    return Rules(0.20, 2.0, 0.5, {name: BRIDGE if name == "bridge" else TARGETS[name] for name in threats})


def spots(stack, length_m: float, *threats: str) -> dict[str, float]:
    (found,) = dead_spots(rules(*threats), [(stack, length_m)])
    return found


def gaps(stack, length_m: float, threat: str):
    (band,) = height_bands(rules(threat), stack, length_m)
    return band.gaps(5.0)


def test_dead_spot_before_a_single_main_head():
    found = spots((MAIN,), 100.0, "walk", "crawl", "prone")
    # a walker is detected from the head on, a crawler from a few metres off it, a prone one not at all
    assert found["walk"] == 0
    assert 2 <= found["crawl"] <= 8
    assert found["prone"] == np.inf


def test_dead_spot_grows_with_the_head():
    stacks = [((level_pair("main", MAIN.head_type, h),), 60.0) for h in (0.7, 0.91, 1.1)]
    found = [spot["crawl"] for spot in dead_spots(rules("crawl"), stacks)]
    assert found == sorted(found)
    assert found[0] < found[-1]


def test_the_low_head_closes_the_dead_spot_of_the_main_one():
    assert max(spots((LOW, MAIN), 100.0, "crawl", "prone").values()) <= 2.0


def test_heads_of_unlike_height_count_with_the_worse_end():
    ways = [((BeamPair("main", MAIN.head_type, *heights),), 60.0) for heights in ((0.7, 1.1), (1.1, 0.7))]
    one, other = dead_spots(rules("crawl"), ways)
    assert one["crawl"] == pytest.approx(other["crawl"], abs=0.5)
    assert one["crawl"] > spots((level_pair("main", MAIN.head_type, 0.7),), 60.0, "crawl")["crawl"]


def test_a_bridge_passes_over_the_main_head_and_not_over_the_top_one():
    without = gaps((LOW, MAIN), 100.0, "bridge")
    assert without
    assert without[-1].high_m == pytest.approx(BRIDGE.base_m)
    # over the whole band from the ground up a hole may be left between main and top head: it must be found as such
    for gap in gaps((LOW, MAIN, TOP), 100.0, "bridge"):
        assert gap.low_m + 0.5 > 0.91
        assert gap.high_m < 2.2
        assert gap.modulation < 0.20


def test_ground_threat_is_one_height():
    assert gaps((MAIN,), 100.0, "walk") == []
    (gap,) = gaps((MAIN,), 100.0, "prone")
    assert (gap.low_m, gap.high_m) == (0.0, 0.0)


def test_a_gap_of_the_band_is_where_that_body_gets_through():
    """A body with its underside in the gap crosses the zone undetected there; one beside the gap does not."""
    (gap,) = gaps((LOW, MAIN), 100.0, "bridge")
    zone = level_zone((LOW, MAIN), 100.0)
    step = 0.1
    for base, passes in ((gap.low_m, True), (gap.high_m, True), (gap.low_m - step, False)):
        body = replace(BRIDGE, base_m=base)
        perimeter = Perimeter([zone], Formula(lambda x, y: 0.0 * x), Rules(0.20, 2.0, 0.5, {"bridge": body}))
        rows = perimeter.dead(zone.zone_id)["bridge"][10:-10]
        assert bool(rows.any()) is passes
        if passes:
            assert perimeter.weakest(zone.zone_id) < 0.20


def test_the_head_named_closes_the_gap():
    (band,) = height_bands(rules("bridge"), (LOW, MAIN), 100.0)
    (gap,) = band.gaps(5.0)
    low = level_pair("trial", HEAD_TYPES["10 GHz"], 0.5)
    high = [level_pair("trial", HEAD_TYPES["10 GHz"], h) for h in (1.5, 1.7, 1.9, 2.1)]
    closing = band.closing(gap, 5.0, [low, *high])
    # the first of those offered, in their order, that leaves nothing of it
    left = [bool(gaps((LOW, MAIN, one), 100.0, "bridge")) for one in (low, *high)]
    assert closing is (None if all(left) else (low, *high)[left.index(False)])
    assert band.closing(gap, 5.0, [low]) is None
    assert gaps((LOW, low, MAIN), 100.0, "bridge")


def test_detected_strip_ends_where_a_body_at_that_offset_is_missed():
    stack = (LOW, MAIN)
    x, half = detected_half_width(rules("walk", "crawl"), stack, 100.0, ["walk", "crawl"])
    assert x[0] == 0
    assert x[-1] == 50
    line = np.linspace(0.0, 100.0, 201)
    beams = [solve_beam(p.head_type, line, np.zeros_like(line), p.tx_height_m, p.rx_height_m) for p in stack]
    for k in (20, 60, 100):
        for name in ("walk", "crawl"):
            assert max(beam.modulation(TARGETS[name], offset_m=half[k])[k] for beam in beams) >= 0.20
        beyond = [
            max(beam.modulation(TARGETS[name], offset_m=half[k] + 0.06)[k] for beam in beams)
            for name in ("walk", "crawl")
        ]
        assert min(beyond) < 0.20


def test_without_a_threat_there_is_no_strip():
    _, half = detected_half_width(rules("walk"), (MAIN,), 100.0, [])
    assert half.max() == 0


def test_the_detected_strip_ends_at_its_first_break_on_the_worse_side(monkeypatch):
    """What is met falls by 1 a metre to the left from 0.51 on the line: 0.20 and more up to 0.31 m, places every 2 cm.

    From 20 m on somebody passes at 0.14 m.
    """

    def given(perimeter, cases):
        strip = cases[0].ground
        met = np.broadcast_to(0.51 - np.abs(strip.offset_m), strip.ground_m.shape).copy()
        met[np.ix_(strip.chainage_m >= 20.0, np.abs(strip.offset_m - 0.14) < 1e-6)] = 0.0
        return [met[None]]

    monkeypatch.setattr(Perimeter, "best", given)
    x, half = detected_half_width(rules("walk"), (MAIN,), 60.0, ["walk"])
    assert half == pytest.approx(np.where(x < 20.0, 0.30, 0.12))
