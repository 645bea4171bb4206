"""What a walk test does to the verdicts; red where a miss leaves a stretch detected, or a walk earns too much."""

import numpy as np
import pytest
from shapely import Point

from geotools.detection import walked
from geotools.detection.verdict_rows import EVERY_THREAT, lengths_of
from geotools.detection.walked import WalkedCrossing, after_walk, model_rows
from geotools.plan.model import FenceChain
from geotools.steps.gaps.spoken import verdict_rows
from tests.detection.test_verdicts import judged, line_of_zones

ZONES = line_of_zones(2)
CHAIN = FenceChain("F01", tuple(ZONES))
DEMONSTRATED = {("Z1", "prone"): 0.95}


@pytest.fixture(scope="module")
def model():
    """Rows by the model, and the fence: detected along most of it, with an unproven stretch made by hand."""
    said, fence = judged(ZONES)
    rows = verdict_rows(said)
    middle = at(rows, 30.0)
    assert middle["verdict"] == "detected" and middle["from_m"] < 15 and middle["to_m"] > 45
    return rows, fence


def walk(model, crossings, demonstrated=None):
    rows, fence = model
    return after_walk(rows, [CHAIN], {"F01": fence}, crossings, demonstrated or {})


def at(rows, metre, threat="prone"):
    return next(r for r in rows if r["threat"] == threat and r["from_m"] <= metre < r["to_m"])


def unproven(model, cause="not_known_exactly"):
    """The same with 20 to 40 m unproven for prone."""
    rows, fence = model
    made = []
    for row in rows:
        if row["threat"] == "prone" and row["from_m"] < 20 and row["to_m"] > 40:
            for a, b in ((row["from_m"], 20.0), (20.0, 40.0), (40.0, row["to_m"])):
                new = {"verdict": "unproven", "cause": cause, "confidence": 0.8} if a == 20.0 else {}
                made.append({**row, **new, "from_m": a, "to_m": b, "geometry": fence})
        elif row["threat"] != EVERY_THREAT:
            made.append(row)
    return made, fence


def test_a_miss_where_the_model_detects_opens_the_place_and_leaves_the_zone_unproven(model):
    rows = walk(model, [WalkedCrossing("Z1", "prone", 30.0, detected=False)])
    here, beside, other = at(rows, 30.0), at(rows, 33.0), at(rows, 75.0)
    assert (here["verdict"], here["cause"], here["model_verdict"]) == ("undetected", "walk_missed", "detected")
    # a metre to either side, to the quarter of a metre that pieces of fence have
    assert here["to_m"] - here["from_m"] == pytest.approx(2.0, abs=0.5)
    assert (beside["verdict"], beside["cause"]) == ("unproven", "walk_contradicts")
    assert (other["verdict"], other["basis"]) == ("detected", "model"), "the next zone has heads of its own"
    assert at(rows, 30.0, "walk")["verdict"] == "detected", "another threat was not walked"
    assert at(rows, 30.0, EVERY_THREAT)["verdict"] == "undetected"
    before, after = lengths_of(model[0]), lengths_of(rows)
    assert sum(after["prone"].values()) == pytest.approx(sum(before["prone"].values()), abs=0.03)
    assert all(r["geometry"].length == pytest.approx(r["to_m"] - r["from_m"], abs=1e-6) for r in rows)


def test_a_zone_from_the_other_end_counts_from_its_transmitter(model):
    # the second zone runs 50 to 110 m along the fence, its transmitter at the far end
    rows = walk(model, [WalkedCrossing("Z2", "prone", 20.0, detected=False)])
    assert at(rows, 90.0)["cause"] == "walk_missed" and at(rows, 70.0)["cause"] == "walk_contradicts"


def test_a_demonstration_makes_unproven_places_detected_near_crossings_that_were(model):
    crossings = [WalkedCrossing("Z1", "prone", x, detected=True) for x in (22.0, 26.0, 30.0)]
    rows = walk(unproven(model), crossings, DEMONSTRATED)
    for metre in (20.5, 26.0, 31.5):
        row = at(rows, metre)
        assert (row["verdict"], row["basis"], row["confidence"], row["cause"]) == ("detected", "walk_test", 0.95, None)
        assert (row["model_verdict"], row["model_confidence"]) == ("unproven", 0.8)
    # nobody crossed beyond: nothing was shown there
    assert at(rows, 33.0)["verdict"] == "unproven" and at(rows, 33.0)["basis"] == "model"


@pytest.mark.parametrize("cause", ["survey_spacing", "survey_unstated"])
def test_a_dip_that_the_survey_may_have_missed_is_not_settled_by_crossings_beside_it(model, cause):
    rows = walk(unproven(model, cause), [WalkedCrossing("Z1", "prone", 30.0, detected=True)], DEMONSTRATED)
    assert at(rows, 30.0)["verdict"] == "unproven"


def test_crossings_without_a_demonstration_change_nothing_and_what_is_dead_stays_dead(model):
    crossings = [WalkedCrossing("Z1", "prone", 30.0, detected=True)]
    assert at(walk(unproven(model), crossings), 30.0)["verdict"] == "unproven"
    rows, fence = unproven(model, "")
    dead = [{**r, "verdict": "undetected"} if r["verdict"] == "unproven" else r for r in rows]
    assert at(walk((dead, fence), crossings, DEMONSTRATED), 30.0)["verdict"] == "undetected"
    # a miss that the model foretold leaves what lies beside as it was
    foretold = walk((dead, fence), [WalkedCrossing("Z1", "prone", 20.2, detected=False)])
    assert at(foretold, 19.5)["verdict"] == "detected" and {row["basis"] for row in foretold} == {"model"}


def test_a_miss_that_the_plan_allows_for_opens_its_own_place_alone(model):
    crossings = [
        WalkedCrossing("Z1", "prone", 30.0, detected=False),
        WalkedCrossing("Z1", "prone", 24.0, detected=True),
    ]
    rows = walk(unproven(model), crossings, DEMONSTRATED)
    assert at(rows, 30.0)["verdict"] == "undetected" and at(rows, 24.0)["verdict"] == "detected"
    assert at(rows, 45.0)["verdict"] == "detected" and at(rows, 36.0)["verdict"] == "unproven"


def test_without_the_walk_the_model_stands_again(model):
    rows, fence = model
    crossings = [WalkedCrossing("Z1", "prone", 30.0, detected=False)]
    walked = walk(model, crossings)
    assert after_walk(walked, [CHAIN], {"F01": fence}, [], {}) == [
        {**row, **dict.fromkeys(("model_verdict", "model_cause", "model_confidence"))} for row in rows
    ]
    again = after_walk(walked, [CHAIN], {"F01": fence}, crossings, {})
    assert again == walked
    single = [r for r in rows if r["threat"] != EVERY_THREAT]
    assert len(model_rows(walked, {"F01": fence})) == len(single)


def test_each_crossing_is_held_against_the_pieces_of_its_own_zone(monkeypatch):
    """A long line has as many crossings as pieces, nearly: their product would be looked at, times ten thousand."""
    zones = line_of_zones(6)
    said, fence = judged(zones)
    rows, chain = verdict_rows(said), FenceChain("F01", tuple(zones))
    looked_at = []

    class Counted:
        """The library of arrays, noting how many distances are taken at once."""

        def __getattr__(self, name):
            return getattr(np, name)

        def abs(self, values):
            looked_at.append(np.size(values))
            return np.abs(values)

    monkeypatch.setattr(walked, "np", Counted())
    crossings = [WalkedCrossing(zone.zone_id, "prone", 30.0, detected=False) for zone in zones]
    made = after_walk(rows, [chain], {"F01": fence}, crossings, {})
    pieces = 4 * fence.length  # a quarter of a metre each
    assert len(looked_at) == len(crossings) and sum(looked_at) <= pieces + len(crossings)
    for zone in zones:
        place = fence.project(Point(zone.line.to_map(30.0)))
        assert at(made, place)["verdict"] == "undetected"
