"""The upkeep of thousands of zones: tables of any length, and work that does not go through all rows for each."""

from datetime import date
from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString, Point, box

from geotools.io import tables
from geotools.plan.schema import PROPOSED_HEADS, UPKEEP
from geotools.steps.upkeep import step
from geotools.steps.upkeep.places import places_of
from geotools.steps.upkeep.record import TABLE, with_record
from tests.counted_frame import CountedFrame


def test_rows_of_the_table_are_made_some_thousands_at_a_time(monkeypatch):
    made, asked = due_rows(25), []
    made["planned_on"] = made["planned_until"] = made["due"]
    real = gpd.GeoDataFrame.to_dict
    monkeypatch.setattr(gpd.GeoDataFrame, "to_dict", lambda self, *given: asked.append(len(self)) or real(self, *given))
    monkeypatch.setattr(step, "_ROWS_AT_ONCE", 10)
    rows = step._table_rows(made, {"state": "existing"})
    assert asked == [] and next(rows)["place"] == "H000" and asked == [10]
    rest = list(rows)
    assert asked == [10, 10, 5] and [row["place"] for row in rest] == [f"H{k:03d}" for k in range(1, 25)]
    assert {(row["state"], row["due"], row["done_on"]) for row in rest} == {("existing", date(2027, 6, 1), None)}


def due_rows(number):
    places = [f"H{k:03d}" for k in range(number)]
    columns = {
        "visit_id": [f"2027-06-01 cleaning {place}" for place in places],
        "due": pd.to_datetime(["2027-06-01"] * number),
        "task": "cleaning",
        "place": places,
        "done_on": pd.Series([pd.NaT] * number, dtype="datetime64[ns]"),
        "done_by": pd.Series([None] * number, dtype=object),
    }
    return CountedFrame(columns, geometry=[Point(k, 0) for k in range(number)])


def context(folder, number, done):
    """A folder whose table has a row for each place, the first ones filled in; the plan itself has no layer yet."""
    lines = ["due,task,place,done_on,done_by"]
    lines += [f"2027-06-01,cleaning,H{k:03d},{'2027-06-02,A. Fitter' if k < done else ','}" for k in range(number)]
    (folder / TABLE).write_text("\n".join(lines) + "\n", encoding="utf-8")
    told = []
    workspace = SimpleNamespace(folder=folder, has=lambda schema: schema is not UPKEEP)
    return SimpleNamespace(workspace=workspace, say=told.append, told=told)


def test_the_plans_own_table_is_read_back_however_long_it_is(tmp_path, monkeypatch):
    # 260 rows a zone with two pairs of heads: 4,400 zones make more than a million; a form filled in by hand has an end
    monkeypatch.setattr(tables, "MAX_FORM_ROWS", 5)
    made = with_record(context(tmp_path, 12, 3), due_rows(12), None)
    assert made["status"].tolist() == ["done"] * 3 + ["due"] * 9
    assert [day.date() for day in made["done_on"][:3]] == [date(2027, 6, 2)] * 3


def test_rows_taken_over_from_the_table_are_looked_up_once_for_all(tmp_path):
    looks = {}
    for done in (2, 40):
        ctx, made = context(tmp_path, 50, done), due_rows(50)
        CountedFrame.looks = 0
        assert (with_record(ctx, made, None)["status"] == "done").sum() == done
        assert ctx.told == [f"took {done} filled rows over from {TABLE}"]
        looks[done] = CountedFrame.looks
    assert looks[40] == looks[2]


@pytest.mark.parametrize("parts", [2, 30])
def test_beams_of_split_zones_are_sorted_by_zone_once(parts):
    """Zone A is split: its parts stand in the middle of their beams, whatever their number."""
    names = [f"A{k:02d}" for k in range(parts)]
    twice = [name for name in names for _ in range(2)]
    lines = [LineString([(100.0 * k, y), (100.0 * k + 60.0, y)]) for k in range(parts) for y in (0.0, 2.0)]
    heads = gpd.GeoDataFrame(
        {"head_id": [f"{name}-TX" for name in names], "zone_id": names, "head_type": "main"},
        geometry=[Point(100.0 * k, 0.0, 1.0) for k in range(parts)],
    )
    beams = CountedFrame({"zone_id": twice}, geometry=lines)
    proposed = pd.DataFrame({"zone_id": names, "stands_for": "A"})
    laid_out = gpd.GeoDataFrame({"zone_id": ["A"]}, geometry=[box(0, -2, 100.0 * parts, 2)])
    ctx = SimpleNamespace(read=lambda schema: proposed if schema is PROPOSED_HEADS else laid_out)
    CountedFrame.looks = 0
    found = places_of(ctx, SimpleNamespace(heads=heads, beams=beams, proposes=True))
    assert found.zones == dict.fromkeys(names, "A")
    zone, middle = found.points[names[-1]]
    assert (zone, middle.x, middle.y) == (names[-1], 100.0 * (parts - 1) + 30.0, 1.0)
    assert CountedFrame.looks <= 3
