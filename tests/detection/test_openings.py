"""What opens an empty window: a lorry beside one of three zones in a row, level ground, main heads alone."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import LineString, box

from geotools.beam import HEAD_TYPES
from geotools.beam.movers import MOVERS
from geotools.detection.accuracy import Accuracy
from geotools.detection.mover_places import Feature, MoverPlaces
from geotools.detection.nuisance import nuisance_of
from geotools.detection.opening_changes import keep_away, openings, shorter
from geotools.detection.openings import Opening, OpeningLimits, OpeningTrial, best_opening
from geotools.detection.operating import WeakestCrossing, window_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns
from geotools.plan.locks import Locks
from geotools.plan.moving import MoveLimits
from geotools.site import SitePrices
from tests.invented_ground import MAIN, RULES, Formula, zone

#: Distance of the road from the beam line, m; the fence stands 3 m from it.
ROAD_M = 4.4
PLACES = MoverPlaces(
    {"": LineString([(-100, -3), (200, -3)])},
    {"": True},
    (Feature("road", ("lorry",), LineString([(-100, -ROAD_M), (200, -ROAD_M)])),),
)
UNKNOWNS = Unknowns(Accuracy(0.01), draws=8, aim_deg=0.2, body=0.05)
LIMITS = OpeningLimits(
    MoveLimits({"": box(-100, -3, 200, 12)}),
    {"main": (0.5, 1.06)},
    {"24 GHz": HEAD_TYPES["24 GHz"]},
    8.0,
    20.0,
    SitePrices(),
    12.0,
    0.05,
)


def perimeter_with(*own):
    rules = replace(RULES, targets={"crawl": RULES.targets["crawl"]})
    row = [zone("Z0", start=-88.0, pairs=[MAIN]), *own, zone("Z2", start=88.0, pairs=[MAIN])]
    made = Perimeter(row, Formula(lambda x, y: 100.0), rules)
    made.solve_all()
    return made


def window_on(perimeter, zone_id="Z1"):
    around = nuisance_of(perimeter, [zone_id], MOVERS, 12.0, larger=LIMITS.larger, aim_deg=UNKNOWNS.aim_deg)[zone_id]
    found = [placed.found for placed in PLACES.of_zone(perimeter.zones[zone_id], around)]
    weakest = WeakestCrossing("crawl", perimeter.weakest(zone_id), 50.0, 0.25)
    return window_of(zone_id, weakest, found, 0.2), around


@pytest.fixture(scope="module")
def searched():
    perimeter = perimeter_with(zone(pairs=[MAIN]))
    window, around = window_on(perimeter)
    trial = OpeningTrial(perimeter, "Z1", window, PLACES, UNKNOWNS, LIMITS)
    every, best = best_opening(trial, [*openings(trial), keep_away(trial, around)])
    return trial, every, best


def test_a_lorry_closes_the_window(searched):
    window = searched[0].window
    assert (window.state, window.nuisance[0].mover.name) == ("empty", "lorry")
    assert window.width_db < 0.0
    assert window.set_to is None


def test_the_cheapest_change_that_opens_it_is_advised(searched):
    _, every, best = searched
    assert (best.option, best.state, best.words) == ("shorter_zones", "open", "2 zones in the place of one")
    cheaper = [one for one in every if one.cost is not None and one.cost < best.cost]
    assert {one.option for one in cheaper} == {"set_heads", "move_line", "narrower_heads"}
    assert all(one.state != "open" for one in cheaper)


def test_a_line_moved_out_of_the_row_of_its_neighbours_opens_gaps_beside_it(searched):
    moved = [one for one in searched[1] if one.option == "move_line"]
    assert len(moved) == 4 and all("to the left" in one.words for one in moved)
    assert [one.window.above for one in moved] == sorted((one.window.above for one in moved), reverse=True)
    assert all(one.opened_m > 0.0 and one.state == "empty" for one in moved)


def test_the_row_moved_as_one_opens_no_gap_beside_and_the_window(searched):
    _, every, _ = searched
    rows = [one for one in every if one.option == "move_row"]
    assert rows and all("Z0, Z2 with them" in one.words and "to the left" in one.words for one in rows)
    assert {zone.zone_id for zone in rows[0].beside} == {"Z0", "Z2"}
    assert all(one.opened_m == 0.0 for one in rows)
    # of equal price the widest window stands first
    assert [one.window.above for one in rows] == sorted(one.window.above for one in rows)
    assert rows[0].kept and rows[0].window.weakest.modulation > rows[0].window.above_high
    assert rows[0].cost == 3 * (2 * 1800 + 2 * 120)
    # asked again on the row as it would stand
    perimeter = searched[0].perimeter.with_zones({zone.zone_id: (zone,) for zone in (*rows[0].zones, *rows[0].beside)})
    after, _ = window_on(perimeter)
    assert after.above == pytest.approx(rows[0].window.above, abs=0.01)
    assert after.state != "empty"


def test_every_kind_of_change_is_tried_with_its_price(searched):
    costs = {one.option: one.cost for one in searched[1]}
    assert costs["set_heads"] == 240
    assert costs["move_line"] == 2 * 1800 + 2 * 120
    assert costs["narrower_heads"] == 5000
    assert costs["shorter_zones"] == 2 * 1800 + 2 * 2500
    assert costs["keep_away"] is None


def test_the_advice_taken_and_asked_again_is_open_as_it_was_said(searched):
    _, _, best = searched
    perimeter = perimeter_with(*best.zones)
    for part, said in zip(best.zones, best.windows, strict=True):
        after, _ = window_on(perimeter, part.zone_id)
        assert after.state == "open"
        assert after.weakest.modulation == pytest.approx(said.weakest.modulation)
        assert after.above == pytest.approx(said.above, abs=0.01)
        assert not any(flags.any() for flags in perimeter.dead(part.zone_id).values())


@pytest.mark.parametrize(
    ("locks", "left"),
    [
        (Locks(heads={("Z1", "main"): ("Z1-TX-main",)}, posts={"Z1": ("Z1-TX-main",)}), set()),
        (Locks(frozenset({"Z1"}), {("Z1", "main"): ("Z1-TX-main",)}), set()),
        (Locks(posts={"Z1": ("Z1-TX-main",)}), {"set_heads", "narrower_heads", "shorter_zones"}),
        (Locks(posts={"Z2": ("Z2-TX-main",)}), {"set_heads", "narrower_heads", "shorter_zones", "move_line"}),
    ],
    ids=["head", "zone", "post", "post of the neighbour"],
)
def test_nothing_that_is_locked_is_advised_to_change(searched, locks, left):
    """What is tried, without solving it: as if nothing opened the window."""

    class Unsolved(OpeningTrial):
        def tried(self, option, words, zones, cost, beside=()):
            return Opening(option, words, zones, cost, (self.window,), beside=beside)

    def options(**changed):
        trial = searched[0]
        held = Unsolved(trial.perimeter, "Z1", trial.window, PLACES, UNKNOWNS, replace(LIMITS, **changed))
        return {one.option for one in openings(held)}

    assert options() == {"set_heads", "narrower_heads", "shorter_zones", "move_line", "move_row"}
    assert options(locks=locks) == left


def test_a_mover_kept_as_far_as_is_said_stays_below_what_must_alarm(searched):
    trial, every, _ = searched
    far = next(one for one in every if one.option == "keep_away")
    metres = float(far.words.split("lorry ")[1].split(" m")[0])
    assert metres > ROAD_M
    moved = replace(PLACES, features=(Feature("road", ("lorry",), LineString([(-100, -metres), (200, -metres)])),))
    around = nuisance_of(trial.perimeter, ["Z1"], MOVERS, 12.0, larger=LIMITS.larger, aim_deg=UNKNOWNS.aim_deg)
    lorry = next(p.found for p in moved.of_zone(trial.zone, around["Z1"]) if p.found.mover.name == "lorry")
    assert lorry.high <= 0.25 * 1.05


def test_a_change_that_opens_a_gap_beside_opens_no_window(searched):
    best = searched[2]
    assert replace(best, opened_m=0.5).state == "empty"


def test_the_parts_of_a_zone_that_runs_against_the_fence_line_stand_in_its_order(searched):
    """Turned end for end one zone is the same zone: so are the windows of what takes its place."""
    ahead = zone(pairs=[MAIN])
    perimeter = perimeter_with(replace(ahead, line=ahead.line.reversed(), forward=False))
    window, _ = window_on(perimeter)
    (turned,) = shorter(OpeningTrial(perimeter, "Z1", window, PLACES, UNKNOWNS, LIMITS))
    (straight,) = [one for one in searched[1] if one.option == "shorter_zones"]
    assert [part.line.x1 > 40.0 for part in turned.zones] == [False, True]
    assert turned.opened_m == straight.opened_m == 0.0
    assert turned.window.weakest.modulation == pytest.approx(straight.window.weakest.modulation, abs=0.02)
