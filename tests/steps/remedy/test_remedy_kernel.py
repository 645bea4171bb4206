"""What is recommended: options tried and priced, put together with the neighbours', and no more promised than holds."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES
from geotools.corridor import BeamLine
from geotools.detection.height_search import best_heights
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings, grade_group
from geotools.plan.model import BeamPair, DeadSpot, Zone
from geotools.steps.remedy import trial
from geotools.steps.remedy.advice import advise_zone
from geotools.steps.remedy.joint import put_together
from geotools.steps.remedy.option import Option, cheapest, reason_for
from geotools.steps.remedy.options import RemedyLimits, zone_options
from geotools.steps.remedy.trial import Trial
from geotools.terrain.design import DesignSurface
from tests.invented_ground import LOW, MAIN, RULES, Formula, dip, zone

COSTS = Prices(cut_m3=18, fill_m3=32, surface_m2=4, set_head=120, head=2500, post=1800)
SETTINGS = GradeSettings(
    GradingRules(COSTS, max_slope=0.33),
    {"walk": 0.15, "crawl": 0.15, "prone": 0.075},
    height_limits={"low": (0.2, 0.45), "main": (0.5, 1.06)},
)


def spots_of(perimeter: Perimeter, threat: str) -> list[DeadSpot]:
    dead = perimeter.dead("Z1")[threat]
    edges = np.flatnonzero(np.diff(np.r_[0, dead.astype(int), 0]))
    at = perimeter.grids["Z1"].chainage_m
    return [DeadSpot(at[a], at[b - 1], f"Z1-{threat}-{i}", threat) for i, (a, b) in enumerate(edges.reshape(-1, 2))]


def options(perimeter: Perimeter, settings: GradeSettings = SETTINGS, keep=None) -> list[Option]:
    surface = DesignSurface(perimeter.ground, (-10, -10, 210, 10))
    return zone_options(perimeter, surface, "Z1", RemedyLimits(settings, COSTS, ((LOW, (0.2, 0.45)),)), keep)[0]


def designed(perimeter: Perimeter, settings: GradeSettings = SETTINGS, spots=None, keep=None):
    """The whole design with Z1's options alone, its surface, and the advice on Z1's spots."""
    found = options(perimeter, settings, keep)
    joint, surface = put_together(
        perimeter,
        lambda: (DesignSurface(perimeter.ground, (-10, -10, 210, 10)), keep),
        {"Z1": found},
        settings,
        COSTS,
    )
    spots = spots_of(perimeter, "prone") if spots is None else spots
    advice = advise_zone(perimeter.zones["Z1"], spots, perimeter.dead("Z1"), joint.chosen.get("Z1"), joint)
    return found, joint, surface, advice


def test_a_dip_too_deep_for_any_height_is_filled_and_the_fill_is_run_again():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    _, joint, surface, (advice, *rest) = designed(perimeter)
    assert not rest and advice.action in ("fill", "grade")
    assert advice.dead_before_m > 3 and advice.dead_after_m == 0
    # the run again, by hand: the design surface sampled along the beam, heads as proposed
    (made,) = joint.proposed["Z1"]
    dead = perimeter.dead("Z1", perimeter.modulation(made, perimeter.levels("Z1", surface)))
    assert not dead["prone"].any()


def test_heads_are_lowered_where_that_is_enough():
    # a 10 GHz head alone, 30 m: the prone crawler passes under it at 0.91 m and not when it hangs low
    perimeter = Perimeter([zone(length=30.0, pairs=[MAIN])], Formula(lambda x, y: 100.0), RULES)
    assert perimeter.dead("Z1")["prone"].any()
    settings = replace(SETTINGS, height_limits={"main": (0.2, 0.91)})
    found = {o.name: o for o in options(perimeter, settings)}
    lowered = found["set_heads"]
    assert lowered.dead_after_m < lowered.dead_before_m
    again = Perimeter([lowered.zones[0]], perimeter.ground, RULES)
    assert again.dead_length("Z1", again.dead("Z1")) == pytest.approx(lowered.dead_after_m)


def test_the_heights_of_the_options_are_those_of_the_heights_search():
    perimeter = Perimeter([zone()], Formula(dip(0.25, 6.0, 40.0)), RULES)
    (lowered,) = [o for o in options(perimeter) if o.name == "set_heads"]
    pair = lowered.moved(perimeter.zones["Z1"])
    found = best_heights(perimeter, "Z1", pair.level, SETTINGS.height_limits[pair.level])
    assert (found.tx_height_m, found.rx_height_m) == (pair.tx_height_m, pair.rx_height_m)
    assert found.dead_length_m == lowered.dead_after_m


def test_no_dig_ground_in_the_way_is_no_remedy_and_says_why():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    keep = np.ones(DesignSurface(perimeter.ground, (-10, -10, 210, 10)).change.shape, bool)
    found, joint, _, (advice,) = designed(perimeter, keep=keep)
    assert "Z1" not in joint.chosen and advice.action == "none"
    assert advice.dead_after_m == pytest.approx(advice.dead_before_m)
    assert "still leaves" in reason_for(None, found, "EUR")


def test_a_spot_that_the_model_does_not_find_needs_nothing():
    perimeter = Perimeter([zone(), zone("Z2", start=80.0)], Formula(lambda x, y: 100.0), RULES)
    _, _, _, (advice,) = designed(perimeter, spots=[DeadSpot(92.0, 96.0, "s", "prone")])
    assert advice.action == "nothing_to_do" and advice.dead_before_m == 0


def test_staggered_posts_on_flat_ground_are_not_called_clear():
    """Posts of two zones set sideways of each other: gaps finds a way between, and so does whatever would close it."""
    usual = (BeamPair("main", HEAD_TYPES["10 GHz"], 0.91, 0.88),)
    rules = replace(RULES, targets={"crawl": RULES.targets["crawl"]})
    zones = [
        Zone("Z1", BeamLine(0.0, 0.0, 100.0, 0.0), usual, "F01", 1),
        Zone("Z2", BeamLine(190.0, 0.7, 90.0, 0.7), usual, "F01", 2, forward=False),
    ]
    perimeter = Perimeter(zones, Formula(lambda x, y: 0.0 * x), rules)
    at = perimeter.grids["Z1"].chainage_m
    inner = perimeter.dead("Z1")["crawl"] & (at > 50)
    assert inner.sum() * 0.5 > 3.0
    for option in options(perimeter, replace(SETTINGS, tolerance_m={"crawl": 0.15})):
        standing = [replace(z, zone_id="Z1") if len(option.zones) == 1 else z for z in option.zones]
        if option.clear and option.grading is None and len(standing) == 1:
            again = Perimeter([standing[0], zones[1]], perimeter.ground, rules)
            assert not again.dead("Z1")["crawl"].any()
    spot = DeadSpot(float(at[inner].min()), float(at[inner].max()), "s", "crawl")
    _, joint, _, (advice,) = designed(perimeter, replace(SETTINGS, tolerance_m={"crawl": 0.15}), [spot])
    assert advice.action != "nothing_to_do" and advice.dead_before_m > 3.0
    claimed = joint.chosen.get("Z1")
    assert (claimed is not None and claimed.clear) == (joint.dead_length("Z1") == 0.0 and claimed is not None)


def test_the_cheapest_clear_option_is_recommended_with_its_price():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    found, joint, _, _ = designed(perimeter)
    best = joint.chosen["Z1"]
    assert best.name == "grade" and best.clear and cheapest(found).name == "grade"
    cut, fill, area, _ = best.volumes
    pair = best.moved(perimeter.zones["Z1"])
    moved = 0 if pair is None else sum(abs(h - 0.3) > 0.005 for h in (pair.tx_height_m, pair.rx_height_m))
    assert best.cost == pytest.approx(18 * cut + 32 * fill + 4 * area + 120 * moved)
    assert best.weakest_before < RULES.threshold <= best.weakest_after
    assert all(o.cost >= cheapest(found).cost for o in found if o.clear)
    reason = reason_for(best, found, "EUR")
    assert reason.endswith(".") and "run of all zones as proposed" in reason


def test_a_stack_without_low_heads_is_offered_one():
    found = {o.name: o for o in options(Perimeter([zone(pairs=[MAIN])], Formula(lambda x, y: 100.0), RULES))}
    assert found["add_low_heads"].clear and found["add_low_heads"].cost == 5000
    assert "grade" not in found  # no earthwork makes a high head see a prone crawler


def test_nothing_is_recommended_that_is_not_clear():
    ground = Formula(lambda x, y: 100.0 - 3.0 * np.exp(-(((x - 50) / 6) ** 2)))
    found = options(Perimeter([zone()], ground, RULES), replace(SETTINGS, batter_m=0.5))
    still_open = [o for o in found if not o.clear]
    assert cheapest(still_open) is None and "still leaves" in reason_for(None, still_open, "EUR")
    assert cheapest([]) is None


def test_options_tried_before_are_taken_and_the_rest_are_what_a_fresh_comparison_gives():
    perimeter = Perimeter([zone(pairs=[MAIN])], Formula(dip(0.25, 5.0, 50.0)), RULES)
    surface = DesignSurface(perimeter.ground, (-10, -10, 210, 10))
    limits = RemedyLimits(SETTINGS, COSTS, ((LOW, (0.2, 0.45)),))
    first, _ = zone_options(perimeter, surface, "Z1", limits)
    fresh, _ = zone_options(perimeter, surface, "Z1", limits, every=True)
    again, grading = zone_options(perimeter, surface, "Z1", limits, every=True, before=first)
    assert len(fresh) > len(first) > 0  # something had been left out

    def figures(found: list[Option]) -> list[tuple]:
        return [(o.name, o.cost, o.dead_after_m, o.weakest_after, o.loose, o.words) for o in found]

    assert figures(again) == figures(fresh)
    known = {o.name: o for o in first}
    assert all(o is known[o.name] for o in again if o.name in known)
    assert "grade" not in known or grading is known["grade"].grading


@pytest.mark.parametrize(("level", "held"), [("low", True), ("main", False)])
def test_works_on_heads_that_were_searched_for_an_option_leave_these_where_it_sets_them(monkeypatch, level, held):
    """The lowest heads moved by way of the earth are the plain grading's; the others' option may still need them."""
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    surface = DesignSurface(perimeter.ground, (-10, -10, 210, 10))
    made = Trial(perimeter, surface, zone(), RemedyLimits(SETTINGS, COSTS, ()), None)
    start = made.option("set_heads", zone().with_heights(level, 0.6, 0.6), 240.0, "set the heads")
    limits = []

    def graded(perimeter, surface, zones, settings, **more):
        limits.append(settings.height_limits)
        return grade_group(perimeter, surface, zones, settings, **more)

    monkeypatch.setattr(trial, "grade_group", graded)
    made.grade("set_heads_and_grade", start)
    made.grade("grade")
    assert limits == [{} if held else SETTINGS.height_limits, SETTINGS.height_limits]
