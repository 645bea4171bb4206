"""The upkeep plan of the demonstration site."""

import sqlite3
from datetime import date

import geopandas as gpd
import pyogrio
import pytest
import vobject

import geotools
from geotools.errors import SiteError

SETTINGS = """
[upkeep]
start = 2027-03-01
years = 4
radome_care = "shed"
storms = [2027-10-20]
grass_months = [5, 6]
"""


@pytest.fixture
def dated(plan, settings):
    site_file, out = plan
    outcome = geotools.run_step("upkeep", settings(site_file, SETTINGS), out)
    return out, outcome


def test_every_head_and_zone_has_its_dates(dated):
    out, outcome = dated
    rows = gpd.read_file(out / "plan.gpkg", layer="upkeep")
    heads = pyogrio.read_dataframe(out / "plan.gpkg", layer="heads")["head_id"]
    zones = pyogrio.read_dataframe(out / "plan.gpkg", layer="zones")["zone_id"]
    new = rows[rows["care"] == "radome replacement"]
    assert sorted(new["place"].unique()) == sorted(heads)
    assert sorted(new["due"].dt.date.unique()) == [date(2029, 3, 1), date(2031, 3, 1)]
    assert set(rows.loc[rows["care"] == "grass", "due"].dt.month) == {5, 6}
    storm = rows[rows["care"] == "storm re-survey"]
    assert sorted(storm["place"]) == sorted(zones) and set(storm["due"].dt.date) == {date(2027, 10, 27)}
    assert outcome.summary["visits"] == len(rows)


def test_days_are_dates_in_the_geopackage(dated):
    # OGC GeoPackage 1.3, table 1: DATE is "YYYY-MM-DD"; a DATETIME would need a time and a zone
    with sqlite3.connect(dated[0] / "plan.gpkg") as db:
        kinds = {row[1]: row[2] for row in db.execute("PRAGMA table_info(upkeep)")}
        days = [row[0] for row in db.execute("SELECT due FROM upkeep")]
    assert kinds["due"] == kinds["done_on"] == "DATE"
    assert all(len(day) == 10 and date.fromisoformat(day) for day in days)


def test_calendar_and_plan_tell_the_same_days(dated):
    out, _ = dated
    rows = gpd.read_file(out / "plan.gpkg", layer="upkeep")
    events = vobject.readOne((out / "upkeep.ics").read_text(encoding="utf-8")).vevent_list
    told = {(e.dtstart.value, e.categories.value[0]) for e in events}
    assert told == set(zip(rows["due"].dt.date, rows["care"], strict=True))


def test_cost_table_marks_the_choice(dated):
    out, _ = dated
    cost = pyogrio.read_dataframe(out / "plan.gpkg", layer="upkeep_cost").set_index("choice")
    assert cost["chosen"].to_dict() == {"wax": False, "shed": True}
    assert (cost["years"] == 4).all() and (cost["total"] > 0).all()


def test_a_parameter_wins_over_the_site_file(plan, settings):
    site_file, out = plan
    site = settings(site_file, SETTINGS)
    outcome = geotools.run_step("upkeep", site, out, radome_care="wax", start="2030-01-01")
    assert (outcome.summary["radome_care"], outcome.summary["start"]) == ("wax", "2030-01-01")


def test_a_day_that_is_none_is_refused(plan):
    site_file, out = plan
    with pytest.raises(SiteError, match="not a date"):
        geotools.run_step("upkeep", geotools.open_site(site_file), out, start="1st of May")


def test_grass_months_outside_the_year_are_refused(plan, settings):
    with pytest.raises(SiteError, match="grass_months"):
        settings(plan[0], "[upkeep]\ngrass_months = [13]")
