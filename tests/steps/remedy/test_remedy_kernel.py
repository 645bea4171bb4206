"""Advice on dead spots: what clears them is found, proven by a run of its own, and no more is promised than holds."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.detection.height_search import height_pairs, trials_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings, grade_group
from geotools.steps.remedy.kernel import Spot, advise_zone
from geotools.steps.remedy.options import Costs, Option, recommend, zone_options
from geotools.terrain.design import DesignSurface
from tests.invented_ground import LOW, RULES, USUAL, Formula, dip, zone

SETTINGS = GradeSettings(
    GradingRules(max_slope=0.33),
    {"walk": 0.15, "crawl": 0.15, "prone": 0.075},
    height_limits={"low": (0.2, 0.45), "usual": (0.5, 1.06)},
)


def spots_of(perimeter: Perimeter, threat: str) -> list[Spot]:
    dead = perimeter.dead("Z1")[threat]
    edges = np.flatnonzero(np.diff(np.r_[0, dead.astype(int), 0]))
    at = perimeter.grids["Z1"].chainage_m
    return [Spot(f"Z1-{threat}-{i}", threat, at[a], at[b - 1]) for i, (a, b) in enumerate(edges.reshape(-1, 2))]


def advise(perimeter: Perimeter, settings: GradeSettings = SETTINGS, spots=None, **more):
    surface = DesignSurface(perimeter.ground, (-10, -10, 200, 10))
    grading = grade_group(perimeter, surface, [perimeter.zones["Z1"]], settings, **more)
    trials = trials_of(perimeter, "Z1", settings.height_limits)
    spots = spots_of(perimeter, "prone") if spots is None else spots
    return surface, advise_zone(perimeter, surface, "Z1", spots, settings, grading, trials)


def test_a_dip_too_deep_for_any_height_is_filled_and_the_fill_is_proven():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    surface, (remedy, *rest) = advise(perimeter)
    assert not rest and remedy.action in ("fill", "grade") and remedy.proven
    assert remedy.dead_before_m > 3 and remedy.dead_after_m == 0
    assert "model run on the graded ground" in remedy.reason
    # the proof again, by hand: the design surface sampled along the beam, heads as advised
    surface.apply(remedy.grading.strip, remedy.grading.design)
    (made,) = remedy.grading.zones
    dead = perimeter.dead("Z1", perimeter.modulation(made, perimeter.levels("Z1", surface)))
    assert not dead["prone"].any()


def test_heads_are_lowered_where_that_is_enough():
    # a 10 GHz head alone, 30 m: the prone crawler passes under it at 0.91 m and not when it hangs low
    perimeter = Perimeter([zone(length=30.0, pairs=[USUAL])], Formula(lambda x, y: 100.0), RULES)
    assert perimeter.dead("Z1")["prone"].any()
    settings = replace(SETTINGS, height_limits={"usual": (0.2, 0.91)})
    _, remedies = advise(perimeter, settings)
    assert {r.action for r in remedies} == {"set_heads"} and all(r.proven for r in remedies)
    for remedy in remedies:
        made = perimeter.zones["Z1"].with_heights("usual", *remedy.heights)
        own = perimeter.modulation(made, perimeter.levels("Z1"))
        here = perimeter.grids["Z1"].chainage_m
        inside = (here >= remedy.spot.from_m) & (here <= remedy.spot.to_m)
        assert not perimeter.dead("Z1", own)["prone"][inside].any()


def test_no_dig_ground_in_the_way_is_no_remedy_and_says_why():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    keep = np.ones(DesignSurface(perimeter.ground, (-10, -10, 200, 10)).change.shape, bool)
    _, (remedy,) = advise(perimeter, keep=keep)
    assert remedy.action == "none" and not remedy.proven
    assert remedy.dead_after_m == pytest.approx(remedy.dead_before_m)
    assert "still lets somebody through at chainage" in remedy.reason


def test_a_spot_the_neighbour_sees_needs_nothing():
    perimeter = Perimeter([zone(), zone("Z2", start=80.0)], Formula(lambda x, y: 100.0), RULES)
    _, (remedy,) = advise(perimeter, spots=[Spot("s", "prone", 92.0, 96.0)])
    assert remedy.action == "covered" and remedy.dead_after_m == 0


def test_height_pairs_stay_inside_the_limits_and_begin_at_home():
    pairs = height_pairs((0.3, 0.3), (0.2, 0.45))
    assert pairs[0] == (0.3, 0.3)
    assert all(0.2 <= h <= 0.45 for pair in pairs for h in pair) and len(pairs) == len(set(pairs))


COSTS = Costs(cut_m3=18, fill_m3=32, surface_m2=4, set_head=120, head=2500, post=1800)


def options(perimeter: Perimeter, settings: GradeSettings = SETTINGS) -> list[Option]:
    surface = DesignSurface(perimeter.ground, (-10, -10, 110, 10))
    trials = trials_of(perimeter, "Z1", settings.height_limits)
    return zone_options(perimeter, surface, "Z1", settings, COSTS, low=LOW, trials=trials)[0]


def test_the_cheapest_proven_option_is_recommended_with_its_price():
    found = options(Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES))
    best, reason = recommend(found, "EUR")
    assert best is not None and best.name == "grade" and best.proven
    cut, fill, area, _ = best.grading.volumes()
    heads = (0.3, 0.3) if best.moved is None else (best.moved.tx_height_m, best.moved.rx_height_m)
    moved = sum(abs(h - 0.3) > 0.005 for h in heads)
    assert best.cost == pytest.approx(18 * cut + 32 * fill + 4 * area + 120 * moved)
    assert best.weakest_before < RULES.threshold <= best.weakest_after
    assert all(o.cost >= best.cost for o in found if o.proven)
    assert reason.endswith(".") and "new run" in reason


def test_a_stack_without_low_heads_is_offered_one():
    found = {o.name: o for o in options(Perimeter([zone(pairs=[USUAL])], Formula(lambda x, y: 100.0), RULES))}
    assert found["add_low_heads"].proven and found["add_low_heads"].cost == 5000
    assert not found["grade"].proven  # no earthwork makes a high head see a prone crawler


def test_nothing_is_recommended_that_was_not_proven():
    ground = Formula(lambda x, y: 100.0 - 3.0 * np.exp(-(((x - 50) / 6) ** 2)))
    found = options(Perimeter([zone()], ground, RULES), replace(SETTINGS, batter_m=0.5))
    best, reason = recommend([o for o in found if not o.proven], "EUR")
    assert best is None and "still leaves" in reason
    assert recommend([], "EUR")[0] is None
