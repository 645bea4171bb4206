"""What the first page says: no more than the verdicts, and of the remedy what the run of the whole design found."""

import pandas as pd
import pytest

from geotools.site.works import SitePrices
from geotools.steps.report.answer import _walked, answer

PRICES = SitePrices(cut_m3=10, fill_m3=20, surface_m2=3, currency="EUR")


@pytest.fixture
def options():
    rows = [
        ("Z1", "grade", 1.0, 2.0, 30.0, 140.0),  # 10 x 1 + 20 x 2 + 3 x 30
        ("Z2", "lower", None, None, None, 50.0),
        ("Z3", "lower_and_grade", 4.0, 0.0, 10.0, 170.0),  # 10 x 4 + 3 x 10, and 100 for the heads
    ]
    frame = pd.DataFrame(rows, columns=["zone_id", "option", "cut_m3", "fill_m3", "area_m2", "cost"])
    return frame.assign(recommended=True, clear=True, dead_before_m=5.0, dead_after_m=0.0)


def test_a_zone_that_the_whole_design_does_not_clear_is_not_called_closed(options):
    crossing = {"threat": "prone", "modulation": 0.1, "zone_id": "Z1", "chainage_m": 9.0, "outcome": "undetected"}
    rows = [("prone", 0.0, 80.0, "detected"), ("prone", 80.0, 85.0, "undetected"), ("prone", 85.0, 90.0, "unproven")]
    verdicts = pd.DataFrame(rows, columns=["threat", "from_m", "to_m", "verdict"])
    frames = {"options": options, "crossings": pd.DataFrame([crossing]), "verdicts": verdicts}
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "was clear by the best estimate in a run of all zones as proposed" in said
    assert "5.0 m³ cut, 2.0 m³ fill" in said
    assert "80.0 m detected with 95 % confidence" in said and "5.0 m undetected, 5.0 m unproven" in said
    options.loc[0, ["clear", "dead_after_m"]] = [False, 1.5]
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "was clear in a run" not in said and "leaves 1.5 m open" in said and "in 2 of 3 zones" in said


def test_fence_without_beam_is_said_first():
    rows = [("prone", 0.0, 80.0, "detected"), ("prone", 80.0, 160.0, "no_beam")]
    frames = {
        "verdicts": pd.DataFrame(rows, columns=["threat", "from_m", "to_m", "verdict"]),
        "crossings": pd.DataFrame(
            [{"threat": "prone", "modulation": 0.5, "zone_id": "Z1", "chainage_m": 9.0, "outcome": "detected"}]
        ),
    }
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "80.0 m of fence have no beam." in said and "every metre" not in said


def test_what_the_survey_shows_stands_on_the_first_page():
    rows = [("prone", 0.0, 80.0, "unproven", "survey_spacing"), ("all", 0.0, 80.0, "unproven", "survey_spacing")]
    frames = {
        "verdicts": pd.DataFrame(rows, columns=["threat", "from_m", "to_m", "verdict", "cause"]),
        "crossings": pd.DataFrame(
            [{"threat": "prone", "modulation": 0.5, "zone_id": "Z1", "chainage_m": 9.0, "outcome": "detected"}]
        ),
        "fence": pd.DataFrame({"resolves_m": [0.25, 13.8], "resolves_origin": ["cell", "metadata"]}),
    }
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "resolves 14 m" in said and "dips from 28 m length show" in said
    assert "up to 80.0 m of fence are unproven for dips that it does not show" in said


def test_what_the_walk_test_made_of_the_fence_stands_on_the_first_page():
    rows = [
        ("prone", 0.0, 60.0, "detected", None, "model"),
        ("prone", 60.0, 78.0, "detected", None, "walk_test"),
        ("prone", 78.0, 80.0, "undetected", "walk_missed", "walk_test"),
    ]
    verdicts = pd.DataFrame(rows, columns=["threat", "from_m", "to_m", "verdict", "cause", "basis"])
    crossing = {"threat": "prone", "modulation": 0.5, "zone_id": "Z1", "chainage_m": 9.0, "outcome": "detected"}
    frames = {"verdicts": verdicts.assign(zone_id="Z1"), "crossings": pd.DataFrame([crossing])}
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "On the walk test prone crossed without an alarm in Z1" in said and "By the model, prone" not in said
    assert "18.0 m of what is detected by the walk test, unproven by the model alone" in said


def test_what_was_walked_stands_on_the_first_page_and_void_results_do_not_count():
    rows = [
        {"verdict": "demonstrated", "walked": 29, "void": 0, "unexpected_misses": 0},
        {"verdict": "void", "walked": 0, "void": 29, "unexpected_misses": 0},
    ]
    (fact,) = _walked(pd.DataFrame(rows))
    assert fact.value == "1 of 2 zones and threats demonstrated" and fact.note == "1 void" and fact.state == "open"
    (fact,) = _walked(pd.DataFrame([rows[0]]))
    assert fact.state == "good"
    (fact,) = _walked(pd.DataFrame([rows[0] | {"verdict": "failed", "unexpected_misses": 2}]))
    assert fact.state == "bad" and "2 crossings missed that the model expected" in fact.note
    assert _walked(pd.DataFrame([{"verdict": "not walked", "walked": 0, "void": 0, "unexpected_misses": 0}])) == []
