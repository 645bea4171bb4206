"""What the trade knows of these beams, as tables: one threshold for all rows."""

import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, OVER_FENCE, TARGETS, Target, solve_beam

TABLE = tomllib.loads((Path(__file__).parents[1] / "reference" / "beam" / "trade_tables.toml").read_text())
M0, LENGTH = TABLE["threshold"], TABLE["zone_m"]
X = np.linspace(0.0, LENGTH, 201)
HALF_WIDTH = 2.0


def flat(name, height):
    return solve_beam(HEAD_TYPES[name], X, 0.0 * X, height, height)


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda case: case["text"])
def test_flat_ground(case):
    seen = flat(case["head"], case["height_m"]).peak_modulation(TARGETS[case["target"]], HALF_WIDTH) >= M0
    inside = (case["from_heads_m"] <= X) & (LENGTH - case["from_heads_m"] >= X)
    assert seen[inside].mean() == (1.0 if case["detected"] else 0.0)


@pytest.mark.parametrize(("name", "height", "target"), [("10 GHz", 0.91, "crawl"), ("24 GHz", 0.30, "prone")])
def test_straightness(name, height, target):
    """The shallowest dip that lets somebody through is about as deep as the rule says, within the factor given."""
    rule = TABLE["straightness"]

    def missed(depth):
        for centre in (20.0, 35.0, 50.0):
            for half in (3.0, 6.0):
                ground = -depth * np.exp(-(((X - centre) / half) ** 2))
                field = solve_beam(HEAD_TYPES[name], X, ground, height, height)
                seen = field.peak_modulation(TARGETS[target], HALF_WIDTH) >= M0
                if not seen[np.abs(X - centre) < half].all():
                    return True
        return False

    allowed = rule[f"{target}_m"]
    assert not missed(allowed / rule["about_factor"])
    assert missed(allowed * rule["about_factor"])


def test_dead_spot_before_a_head_is_longer_the_higher_the_head():
    near = TABLE["near_head"]
    lengths = []
    for height in near["heights_m"]:
        seen = flat("10 GHz", height).peak_modulation(TARGETS[near["target"]], HALF_WIDTH) >= M0
        lengths.append(float(X[np.argmax(seen)]))
    assert all(short < long for short, long in pairwise(lengths))
    assert near["shortest_m"] <= lengths[1] <= near["longest_m"]


def test_detection_floor_is_where_the_modulation_crosses_the_threshold():
    ground = 12.0 + 0.1 * np.sin(X / 7.0)
    field = solve_beam(HEAD_TYPES["10 GHz"], X, ground, 0.91, 0.91)
    floor = field.detection_floor(0.5, M0, half_width_m=HALF_WIDTH)
    assert floor.shape == X.shape
    for node in range(20, 181, 20):
        gap = floor[node] - ground[node]
        below, above = (
            field.peak_modulation(Target("t", gap + delta, 0.5), HALF_WIDTH)[node] for delta in (-0.01, 0.01)
        )
        assert below < M0 <= above


def test_jump_and_bridge_need_a_head_at_their_height():
    low, top = flat("10 GHz", 0.91), flat("10 GHz", 2.44)
    inside = (X > 10) & (X < 90)
    bridge = OVER_FENCE["bridge"].raised(2.44)
    assert (top.peak_modulation(bridge, HALF_WIDTH)[inside] >= M0).all()
    assert (low.peak_modulation(bridge, HALF_WIDTH)[inside] < M0).all()


def test_side_on_is_no_harder_to_see_than_end_on():
    field = flat("24 GHz", 0.30)
    end_on, side_on = (field.peak_modulation(TARGETS[name], HALF_WIDTH) for name in ("prone", "prone side-on"))
    assert (np.maximum(end_on, M0) <= np.maximum(side_on, end_on) + 1e-9).all()
    assert side_on[100] > end_on[100]


def test_the_targets_own_ground_counts():
    field = flat("10 GHz", 0.91)
    crawl = TARGETS["crawl"]
    raised = field.modulation(crawl, target_ground_m=0.3)
    sunk = field.modulation(crawl, target_ground_m=np.full(X.size, -0.6))
    assert raised == pytest.approx(field.modulation(Target("raised", 0.7, 0.5, 0.3)), abs=1e-9)
    assert sunk == pytest.approx(field.modulation(Target("only its top", 0.1, 0.5)), abs=1e-6)
