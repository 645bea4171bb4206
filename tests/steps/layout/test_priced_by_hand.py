"""What long zones and reach outside cost, and what is given up on narrow ground, in order. No beam is solved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

from geotools.errors import InfeasibleError
from geotools.steps.layout import kernel
from geotools.steps.layout.edges import LayoutWeights, ZoneRules, _Judge
from geotools.steps.layout.kernel import Needs, lay_out
from geotools.steps.layout.usable import courses

RULES = ZoneRules(100.0, 10.0, 4.5, 10.525e9, fresnel_zones=0.9, margin_m=0.4, stagger_m=0.5, post_clear_m=1.0)
NEEDS = Needs(RULES, LayoutWeights(), setback_m=4, clear_m=10, candidate_spacing_m=5, beamwidth_deg=6.0)


def test_first_the_whole_beam_then_three_fifths_of_it_then_a_thin_one_that_needs_no_room(monkeypatch):
    ring = LineString([(0, 0), (90, 0), (90, 60), (0, 60), (0, 0)])
    (course,) = courses({"F": ring}, side="inside", setback_m=4, clear_m=10)
    asked = []

    def refuse(nodes, line, region, rules, prices, *, ground=None):
        asked.append((rules.fresnel_zones, rules.margin_m, rules.stagger_m, rules.post_clear_m))
        raise InfeasibleError(f"number {len(asked)}")

    monkeypatch.setattr(kernel, "choose_zones", refuse)
    # what is said is what the whole beam lacks
    with pytest.raises(InfeasibleError, match="number 1"):
        lay_out(course, NEEDS)
    wanted = [(0.9, 0.4, 0.5, 1.0), (0.54, 0.24, 0.5, 0.6), (0.0, 0.0, 0.0, 0.0)]
    assert [pytest.approx(one) for one in asked] == wanted
    asked.clear()
    with pytest.raises(InfeasibleError, match="number 1"):
        lay_out(course, replace(NEEDS, rules=replace(RULES, post_clear_m=0.5)))
    assert [clear for *_, clear in asked] == pytest.approx([0.5, 0.3, 0.0])


def cost(rules, prices):
    """Of a zone of 40 m with 6 m past either junction, on open ground, that stands for 45 m of the line."""
    judge = _Judge(rules, prices, lambda x, y: np.full(np.shape(x), 50.0), None)
    length, six = np.array([40.0]), np.array([6.0])
    ends = np.array([[0.0, 0.0]]), np.array([[40.0, 0.0]])
    return judge.measure(*ends, (six, six), np.array([45.0]), judge.spots(length))[1][0]


def test_long_zones_among_short_ones_and_reaching_outside_cost_what_they_are_priced_at():
    """45 m of the line of at most 100; outside on 20 m of them, by halves at the ends of the steps."""
    prices = LayoutWeights(zone=1000.0, short_zone=0.0, off_line_m=0.0, uneven=0.0)
    assert cost(RULES, prices) == pytest.approx(1000.0)
    assert cost(RULES, replace(prices, uneven=500.0)) == pytest.approx(1000.0 + 500.0 * 0.45**2)
    outside = replace(RULES, reached=lambda x, y, share, total: np.where((share > 0.25) & (total == 52.0), x < 27, 0.0))
    assert cost(outside, replace(prices, nuisance_m=3.0)) == pytest.approx(1000.0 + 3.0 * 20.0, abs=3.0 * 2.2)
    assert cost(outside, replace(prices, nuisance_m=0.0)) == pytest.approx(1000.0)


def test_two_fence_lines_that_meet_at_a_corner_are_refused_with_the_advice_to_draw_them_as_one():
    """The beams along the first end 4 m inside the corner, which is on the second fence."""
    lines = {"A": LineString([(0, 0), (80, 0), (80, 60)]), "B": LineString([(80, 60), (0, 60)])}
    first, _ = courses(lines, side="left", setback_m=4, clear_m=10)
    with pytest.raises(InfeasibleError, match="has no clear ground") as caught:
        lay_out(first, NEEDS)
    assert "draw lines that meet as one" in caught.value.mend and "x 76.0, y 60.0" in caught.value.where
    (whole,) = courses({"A": LineString([(0, 0), (80, 0), (80, 60), (0, 60)])}, side="left", setback_m=4, clear_m=10)
    zones, _ = lay_out(whole, NEEDS)
    assert len(zones) >= 3
