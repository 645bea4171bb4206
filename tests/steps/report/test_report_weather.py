"""Weather and clear ground in the report: the picture's cells and figures, the tables, what is said where none is."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.colors import to_hex

from geotools.plan.schema.style import VERMILION
from geotools.plan.schema.weather import WINDOW_WEATHER
from geotools.site.weather import MONTHS
from geotools.steps.report.blocks import Heading, Notes, Picture, Table
from geotools.steps.report.weather import standoff_blocks, weather_chart, weather_sheet
from geotools.steps.report.windows import windows_sheet
from tests.steps.report.test_report_windows import WINDOWS


def condition(zone, kind, days, **more):
    """A row with days in January alone."""
    months = dict.fromkeys(MONTHS, 0.0) | {"jan": days}
    row = dict.fromkeys(WINDOW_WEATHER.field_names) | {"zone_id": zone, "condition": kind, "days": days}
    return row | months | more


ROWS = pd.DataFrame(
    [
        condition("Z1", "rain", 0.0, keeps_to=500.0, unit="mm/h"),
        condition("Z1", "snow", 15.5, closes_at=0.1, keeps_to=0.05, unit="m", advice="clear the snow"),
        condition("Z1", "grass", 0.0, keeps_to=0.2, unit="m"),
        condition("Z2", "dry", 31.0, because="grass in wind gives 0.40"),
    ]
)


def test_the_sheet_shows_the_picture_first_and_every_condition_with_what_keeps_it_open():
    heading, picture, table, notes = weather_sheet({"window_weather": ROWS})
    assert isinstance(heading, Heading) and isinstance(picture, Picture) and isinstance(notes, Notes)
    assert "2 zones; 1 of them are closed whatever the weather" in picture.alt
    assert isinstance(table, Table) and len(table.rows) == 4
    snow = next(row for row in table.rows if "snow" in row)
    assert "0.10" in snow and "0.05" in snow and "clear the snow" in snow


def test_a_panel_for_what_closes_a_window_alone_darker_with_the_days_and_crossed_where_dry():
    (ax,) = weather_chart(ROWS, 7.2).axes
    assert ax.get_title() == "snow"
    january, crossed = ax.patches
    assert (january.get_x(), january.get_y(), january.get_width()) == (0, 0, 1)
    # half of the days of January
    assert january.get_alpha() == pytest.approx(0.15 + 0.85 / 2)
    assert to_hex(january.get_facecolor()) == VERMILION.lower()
    assert crossed.get_y() == 1 and crossed.get_hatch() == "xxx"
    assert [text.get_text() for text in ax.texts] == ["16"]


def test_the_report_says_that_weather_was_not_looked_at():
    notes = [windows_sheet({"operating_windows": WINDOWS} | more)[-1].items for more in ({}, {"window_weather": ROWS})]
    assert "`geotools weather`" in notes[0][-1] and "`geotools weather`" not in str(notes[1])
    assert weather_sheet({}) == weather_sheet({"operating_windows": WINDOWS}) == []


def test_the_ground_that_a_beam_needs_kept_clear_is_shown_without_windows_too():
    row = {"zone_id": "Z1", "fence_m": 4.0, "outside_m": 7.2, "outside_for": "lorry on lane", "inside_m": 1.1}
    beams = pd.DataFrame([row | {"inside_for": "the beam itself", "reached_m": 4.0, "why": "4.0 m from the fence"}])
    (table,) = standoff_blocks({"standoffs": beams})
    assert {"lorry on lane", "7.2", "4.0 m from the fence"} <= set(table.rows[0])
    assert standoff_blocks({}) == [] and windows_sheet({}) == []
    assert table in windows_sheet({"standoffs": beams})
    assert table in windows_sheet({"standoffs": beams, "operating_windows": WINDOWS})
