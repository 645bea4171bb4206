"""Rows of a zone are looked up; red where every zone goes through all rows of a layer."""

import pandas as pd

from geotools.steps.report.blocks import Text
from geotools.steps.report.by_zone import ZoneRows
from geotools.steps.report.sheets import zone_tables
from tests.counted_frame import CountedFrame


def levels(number):
    zones = [f"Z{k}" for k in range(number)]
    return CountedFrame(
        {
            "zone_id": [*zones, None, *zones],
            "beam_id": [*(f"{zone}-low" for zone in zones), "none", *(f"{zone}-main" for zone in zones)],
            "standing_level_db": 1.0,
            "in_null": False,
        }
    )


def test_each_zone_has_its_rows_in_the_layers_order():
    held = ZoneRows({"beam_levels": levels(3), "heads": pd.DataFrame()}, ("beam_levels", "advice"))
    assert list(held.of("Z1")) == ["beam_levels"]
    assert held.of("Z1")["beam_levels"]["beam_id"].tolist() == ["Z1-low", "Z1-main"]
    other = held.of("other")["beam_levels"]
    assert other.empty and list(other.columns) == list(levels(3).columns)


def test_all_rows_are_gone_through_once_for_all_zones():
    looks = {}
    for number in (3, 60):
        frame = levels(number)
        CountedFrame.looks = 0
        held = ZoneRows({"beam_levels": frame}, ("beam_levels",))
        found = [held.of(f"Z{k}")["beam_levels"] for k in range(number)]
        looks[number] = CountedFrame.looks
        assert [len(rows) for rows in found] == [2] * number
    assert looks[60] == looks[3]


def test_tables_of_a_zone_are_of_the_rows_given():
    spots = pd.DataFrame(columns=["zone_id", "cause"])
    (text,) = zone_tables("Z1", {"dead_spots": spots, "options": spots, "advice": spots, "beam_levels": spots})
    assert isinstance(text, Text) and text.text.startswith("No dead spot by the best estimate")
    (table,) = zone_tables("Z1", ZoneRows({"beam_levels": levels(3)}, ("beam_levels",)).of("Z1"))
    assert [row[0] for row in table.rows] == ["Z1-low", "Z1-main"]
    assert zone_tables("Z1", {}) == []
