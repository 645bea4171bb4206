"""Stacks against the trade's expectations over level ground (common practice, no source), with tolerances as stated."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.steps.layout.coverage import (
    band_gaps,
    dead_spot,
    level_pair,
    seen_half_width,
    solve_stack,
    stack_modulation,
)

USUAL = level_pair("usual", HEAD_TYPES["10 GHz"], 0.91)
LOW = level_pair("low", HEAD_TYPES["24 GHz"], 0.30)
TOP = level_pair("top", HEAD_TYPES["10 GHz"], 2.44)
SEEN = {"threshold": 0.20, "half_width_m": 2.0}


def test_dead_spot_before_a_single_usual_head():
    found = dead_spot(solve_stack([USUAL], 100.0), [TARGETS["walk"], TARGETS["crawl"], TARGETS["prone"]], **SEEN)
    # a walker is seen from the head on, a crawler from a few metres off it, a prone one not at all
    assert found["walk"] == 0
    assert 2 <= found["crawl"] <= 8
    assert found["prone"] == np.inf


def test_dead_spot_grows_with_the_head():
    spots = [
        dead_spot(solve_stack([level_pair("usual", USUAL.head_type, h)], 60.0), [TARGETS["crawl"]], **SEEN)["crawl"]
        for h in (0.7, 0.91, 1.1)
    ]
    assert spots == sorted(spots)
    assert spots[0] < spots[-1]


def test_the_low_head_closes_the_dead_spot_of_the_usual_one():
    beams = solve_stack([LOW, USUAL], 100.0)
    found = dead_spot(beams, [TARGETS["crawl"], TARGETS["prone"]], **SEEN)
    assert max(found.values()) <= 2.0


def test_the_stack_is_the_best_of_its_heads():
    beams = solve_stack([LOW, USUAL], 80.0)
    together = stack_modulation(beams, TARGETS["crawl"], 2.0)
    assert np.all(together >= beams[0].peak_modulation(TARGETS["crawl"], 2.0))
    assert np.all(together >= beams[1].peak_modulation(TARGETS["crawl"], 2.0))


def test_a_bridge_passes_over_the_usual_head_and_not_over_the_top_one():
    without = band_gaps(solve_stack([LOW, USUAL], 100.0), TARGETS["bridge"], clear_m=5.0, **SEEN)
    assert without
    assert without[-1].high_m == pytest.approx(TARGETS["bridge"].base_m)
    beams = solve_stack([LOW, USUAL, TOP], 100.0)
    assert stack_modulation(beams, TARGETS["bridge"], 2.0)[20:-20].min() >= 0.20
    # over the whole band from the ground up a hole may be left between usual and top head: it must be found as such
    for gap in band_gaps(beams, TARGETS["bridge"], clear_m=5.0, **SEEN):
        assert gap.low_m + 0.5 > 0.91
        assert gap.high_m < 2.2
        assert gap.modulation < 0.20


def test_ground_threat_is_one_height():
    assert band_gaps(solve_stack([USUAL], 100.0), TARGETS["walk"], clear_m=5.0, **SEEN) == []
    (gap,) = band_gaps(solve_stack([USUAL], 100.0), TARGETS["prone"], clear_m=5.0, **SEEN)
    assert (gap.low_m, gap.high_m) == (0.0, 0.0)


def test_seen_strip_ends_where_a_crossing_at_that_offset_is_missed():
    beams = solve_stack([LOW, USUAL], 100.0)
    x, half = seen_half_width(beams, [TARGETS["walk"], TARGETS["crawl"]], threshold=0.20)
    assert x[0] == 0
    assert x[-1] == 50
    for k in (20, 60, 100):
        for target in (TARGETS["walk"], TARGETS["crawl"]):
            inside = max(beam.modulation(target, offset_m=half[k])[k] for beam in beams)
            assert inside >= 0.20
        beyond = [
            max(beam.modulation(target, offset_m=half[k] + 0.06)[k] for beam in beams)
            for target in (TARGETS["walk"], TARGETS["crawl"])
        ]
        assert min(beyond) < 0.20
    # a threat the stack never sees does not make the strip vanish
    alone = solve_stack([USUAL], 100.0)
    with_prone = seen_half_width(alone, [TARGETS["walk"], TARGETS["prone"]], threshold=0.20)[1]
    assert np.array_equal(with_prone, seen_half_width(alone, [TARGETS["walk"]], threshold=0.20)[1])
