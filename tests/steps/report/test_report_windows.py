"""Windows in the report: the first page's figure, the sheet, the picture's marks."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString

from geotools.steps.report.answer import answer
from geotools.steps.report.blocks import Heading, Picture, Table
from geotools.steps.report.reach import reach_blocks, reach_map
from geotools.steps.report.windows import window_chart, window_facts, windows_sheet
from tests.steps.report.test_answer import PRICES


def window(zone_id, state, must_not, must, **more):
    row = {
        "zone_id": zone_id,
        "state": state,
        "must_not": must_not,
        "must_not_high": must_not * 1.3,
        "must_not_mover": "lorry",
        "must": must,
        "must_low": must * 0.8,
        "must_threat": "prone",
        "must_chainage_m": 40.0,
        "width_db": 20 * np.log10(must / must_not),
        "threshold": 0.2,
        "threshold_inside": must_not < 0.2 <= must,
        "set_to": None if state == "empty" else (must_not * must) ** 0.5,
        "opens_by": None,
        "opens_cost": None,
    }
    return row | more


CLOSE = "close its dead spots first: `geotools remedy`, grade"
WINDOWS = pd.DataFrame(
    [
        window("Z1", "open", 0.05, 0.5),
        window("Z2", "empty", 0.3, 0.1, opens_by=CLOSE, opens_cost=500.0),
        window("Z3", "empty", 0.3, 0.2, opens_by=CLOSE, opens_cost=250.0),
    ]
)


def test_an_empty_window_stands_on_the_first_page_with_what_opens_it():
    said = str(answer({"operating_windows": WINDOWS}, ["prone"], 0.2, PRICES))
    assert "1 open, 2 empty" in said
    assert "apart from what must in Z2, Z3; what opens the window: close its dead spots first" in said
    assert "750 EUR" in said


@pytest.mark.parametrize(
    ("rows", "state"),
    [
        ([window("Z1", "open", 0.05, 0.5)], "good"),
        ([window("Z1", "narrow", 0.05, 0.5)], "open"),
        ([window("Z1", "open", 0.05, 0.1)], "open"),
        ([window("Z1", "open", 0.05, 0.5), window("Z2", "empty", 0.3, 0.1)], "bad"),
    ],
)
def test_the_mark_is_that_of_the_worst_window(rows, state):
    (fact,) = window_facts(pd.DataFrame(rows), "EUR")
    assert fact.state == state


def test_nothing_is_said_where_the_step_has_not_run():
    assert window_facts(None, "EUR") == []
    assert windows_sheet({}) == []


def test_the_sheet_shows_a_picture_first_and_the_features_that_set_off_alone():
    features = pd.DataFrame(
        {
            "feature": ["lane", "path"],
            "mover": ["lorry", "cyclist"],
            "zone_id": ["Z1", "Z1"],
            "modulation": [0.3, 0.01],
            "modulation_high": [0.4, 0.02],
            "chainage_m": [40.0, 40.0],
            "sets_off": ["yes", "no"],
        }
    )
    heading, picture, table, near, cautions = windows_sheet({"operating_windows": WINDOWS, "set_off": features})
    assert isinstance(heading, Heading) and isinstance(picture, Picture) and isinstance(table, Table)
    assert "1 open, 0 narrow, 2 empty" in picture.alt
    assert [row[0] for row in near.rows] == ["lane"]
    assert "logged alarms" in str(cautions)


def test_a_bar_runs_from_one_side_to_the_other_and_an_empty_one_is_hatched():
    ax = window_chart(WINDOWS, 7.2).axes[0]
    first, second, _ = ax.patches
    assert (first.get_x(), first.get_x() + first.get_width()) == pytest.approx((0.05, 0.5))
    assert (second.get_x(), second.get_x() + second.get_width()) == pytest.approx((0.1, 0.3))
    assert first.get_hatch() is None and second.get_hatch() == "xxx"
    assert ax.get_xscale() == "log"


def test_each_end_of_a_bar_names_what_gives_it():
    ax = window_chart(WINDOWS, 7.2).axes[0]
    named = [(text.get_text(), text.xy) for text in ax.texts]
    for place, row in enumerate(WINDOWS.itertuples()):
        assert (row.must_not_mover, (row.must_not, place)) in named
        assert (row.must_threat, (row.must, place)) in named


def test_the_map_shows_the_farthest_mover_that_must_not_alarm_and_each_window():
    lines = [LineString([(0, y), (50, y)]) for y in (0, 100, 200)]
    reach = gpd.GeoDataFrame(
        {
            "mover": ["lorry", "car", "bird"],
            "outside_m": [5.0, 3.0, 9.0],
            "must_not_alarm": [True, True, False],
            "geometry": [line.buffer(far) for line, far in zip(lines, (5, 3, 9), strict=True)],
        }
    )
    windows = gpd.GeoDataFrame(WINDOWS.assign(geometry=lines))
    frames = {"nuisance_reach": reach, "operating_windows": windows}
    (picture,) = reach_blocks(frames)
    assert "the lorry, the farthest of the movers that must not alarm" in picture.caption
    ax = reach_map(frames, 6.0).axes[0]
    (area,) = ax.patches
    assert area.get_path().get_extents().extents == pytest.approx([-5, -5, 55, 5], abs=0.01)
    colours = [line.get_color() for line in ax.lines]
    assert len(colours) == 3 and len(set(colours)) == 2
    assert {text.get_text() for text in ax.texts} == {"Z1", "Z2", "Z3"}
    assert reach_blocks({"operating_windows": windows}) == []


def test_what_was_accepted_for_a_window_is_no_closing_of_gaps():
    base = {"recommended": True, "clear": True, "cost_as_drawn": np.nan, "cut_m3": 0.0, "fill_m3": 0.0, "area_m2": 0.0}
    base["dead_after_m"] = 0.0
    closing = {
        "zone_id": "Z2",
        "option": "set_heads",
        "serves": "dead spots",
        "dead_before_m": 9.0,
    }
    opening = {"zone_id": "Z1", "option": "move_line", "serves": "window", "dead_before_m": 0.0}
    rows = [base | closing | {"cost": 240.0}, base | opening | {"cost": 480.0}]
    both, alone = (
        str(answer({"options": pd.DataFrame(chosen)}, ["prone"], 0.2, PRICES)) for chosen in (rows, rows[1:])
    )
    assert "value='240 EUR'" in both and "clear in a run of all zones as proposed in 1 of 1 zones" in both
    for said in (both, alone):
        assert "value='1 of the zones changed', note='for 480 EUR'" in said
        assert "What closes the gaps and opens windows" in said
    assert "Dead length with the remedy" not in alone
