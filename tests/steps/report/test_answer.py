"""The first page's figures where the design of all zones together differs from each zone's own trial."""

import pandas as pd
import pytest

from geotools.site.works import SitePrices
from geotools.steps.report.answer import answer, as_designed

PRICES = SitePrices(cut_m3=10, fill_m3=20, surface_m2=3, currency="EUR")


@pytest.fixture
def options():
    rows = [
        ("Z1", "grade", 1.0, 2.0, 30.0, 140.0),  # 10 x 1 + 20 x 2 + 3 x 30
        ("Z2", "lower", None, None, None, 50.0),
        ("Z3", "lower_and_grade", 4.0, 0.0, 10.0, 170.0),  # 10 x 4 + 3 x 10, and 100 for the heads
    ]
    frame = pd.DataFrame(rows, columns=["zone_id", "option", "cut_m3", "fill_m3", "area_m2", "cost"])
    return frame.assign(recommended=True, proven=True, dead_before_m=5.0, dead_after_m=0.0)


def gradings(**first):
    row = {"zone_id": "Z1", "cut_grid_m3": 3.0, "fill_grid_m3": 2.5, "area_m2": 40.0, "dead_after_m": 0.0}
    other = {"zone_id": "Z3", "cut_grid_m3": 4.0, "fill_grid_m3": 0.0, "area_m2": 10.0, "dead_after_m": 0.0}
    return pd.DataFrame([row | {"proven": True} | first, other | {"proven": True}])


def test_earth_and_cost_are_those_of_the_design(options):
    got = as_designed(options, gradings(), PRICES).set_index("zone_id")
    assert tuple(got.loc["Z1", ["cut_m3", "fill_m3", "area_m2"]]) == (3.0, 2.5, 40.0)
    assert got.loc["Z1", "cost"] == pytest.approx(10 * 3 + 20 * 2.5 + 3 * 40)
    assert got.loc["Z2", "cost"] == 50 and got.loc["Z3", "cost"] == pytest.approx(170)
    assert options.loc[0, "cost"] == 140  # what was handed in is left alone


def test_options_stand_where_nothing_was_graded(options):
    pd.testing.assert_frame_equal(as_designed(options, None, PRICES), options)


def test_a_zone_that_the_whole_design_does_not_clear_is_not_called_closed(options):
    crossing = {"threat": "prone", "modulation": 0.1, "zone_id": "Z1", "chainage_m": 9.0, "outcome": "unseen"}
    frames = {"options": options, "crossings": pd.DataFrame([crossing]), "gradings": gradings()}
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "closes every gap" in said and "7.0 m³ cut, 2.5 m³ fill" in said
    assert "420" in said and "Z1 200" in said and "Z3 170" not in said
    frames["gradings"] = gradings(proven=False, dead_after_m=1.5)
    said = str(answer(frames, ["prone"], 0.2, PRICES))
    assert "closes every gap" not in said and "leaves 1.5 m open" in said and "in 2 of 3 zones" in said
