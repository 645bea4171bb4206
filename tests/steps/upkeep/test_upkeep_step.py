"""The upkeep plan of the demonstration site."""

import csv
import re
import shutil
import sqlite3
from datetime import date, timedelta

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import vobject

import geotools
from geotools.engine.runner import Job
from geotools.errors import OutputError, SiteError
from geotools.plan.schema import PROPOSED_HEADS

SETTINGS = """
[upkeep]
start = 2027-03-01
years = 4
scheme = "new parts"
storms = [2027-10-20]

[[maintenance]]
name = "replacement"
scheme = "new parts"
scope = "head"
months = 24
minutes = 30
material = 100

[[maintenance]]
name = "cleaning"
scheme = "cleaning"
scope = "head"
months = 6
minutes = 10

[[maintenance]]
name = "grass"
scope = "zone"
months = 1
season = [5, 6]
minutes = 45

[[maintenance]]
name = "storm survey"
scope = "zone"
after_storm_days = 7
minutes = 30
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
    new = rows[rows["task"] == "replacement"]
    assert sorted(new["place"].unique()) == sorted(heads)
    assert sorted(new["due"].dt.date.unique()) == [date(2029, 3, 1), date(2031, 3, 1)]
    assert set(rows.loc[rows["task"] == "grass", "due"].dt.month) == {5, 6}
    storm = rows[rows["task"] == "storm survey"]
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
    days = set()
    for row in rows.itertuples():
        span = (row.planned_until - row.planned_on).days
        days |= {((row.planned_on + timedelta(days=k)).date(), row.task) for k in range(span + 1)}
    assert told == days
    assert (rows["planned_on"] >= rows["due"]).all()


def hours_by_day(out):
    """Hours of every day of the calendar, as its events state them."""
    found = {}
    for event in vobject.readOne((out / "upkeep.ics").read_text(encoding="utf-8")).vevent_list:
        hours = float(re.search(r"About ([0-9.]+) h", event.description.value)[1])
        found[event.dtstart.value] = found.get(event.dtstart.value, 0.0) + hours
    return found


def test_no_day_of_the_calendar_holds_more_than_the_crews_hours(plan):
    # the demonstration's own tasks: 44 h fell on each first of April
    site_file, out = plan
    outcome = geotools.run_step("upkeep", geotools.open_site(site_file), out)
    hours = hours_by_day(out)
    assert max(hours.values()) <= 8.0 + 0.05
    # rounded to a tenth for each event
    assert sum(hours.values()) == pytest.approx(outcome.summary["hours"], abs=0.05 * 4 * len(hours))


def test_a_larger_crew_is_done_sooner(plan, settings):
    site_file, out = plan
    late = []
    for crew in (1, 6):
        text = f"[upkeep]\nstart = 2027-04-01\nscheme = 'cleaning'\ncrew = {crew}\nyears = 2"
        geotools.run_step("upkeep", settings(site_file, text), out, overwrite=True)
        rows = gpd.read_file(out / "plan.gpkg", layer="upkeep")
        late.append((rows["planned_until"] - rows["due"]).dt.days.max())
        assert max(hours_by_day(out).values()) <= 8.0 * crew + 0.05
    assert late[0] > late[1] == 0


def test_a_crew_that_falls_behind_is_said(plan, settings):
    site_file, out = plan
    text = "[upkeep]\nstart = 2027-04-01\nscheme = 'cleaning'\nday_hours = 0.5\nyears = 1"
    outcome = geotools.run_step("upkeep", settings(site_file, text), out)
    assert any("falls behind" in w and "upkeep.crew" in w for w in outcome.warnings)


def test_cost_table_marks_the_choice(dated):
    out, _ = dated
    cost = pyogrio.read_dataframe(out / "plan.gpkg", layer="upkeep_cost").set_index("scheme")
    assert cost["chosen"].to_dict() == {"cleaning": False, "new parts": True}
    assert (cost["years"] == 4).all() and (cost["total"] > 0).all()


def test_a_parameter_wins_over_the_site_file(plan, settings):
    site_file, out = plan
    site = settings(site_file, SETTINGS)
    outcome = geotools.run_step("upkeep", site, out, scheme="cleaning", start="2030-01-01")
    assert (outcome.summary["scheme"], outcome.summary["start"]) == ("cleaning", "2030-01-01")


def test_a_day_that_is_none_is_refused(plan):
    site_file, out = plan
    with pytest.raises(SiteError, match="not a date"):
        geotools.run_step("upkeep", geotools.open_site(site_file), out, start="1st of May")


TASK = '[[maintenance]]\nname = "x"\nscope = "zone"\nminutes = 1\n'


@pytest.mark.parametrize(
    ("more", "said"),
    [("months = 1\nseason = [13]", "season"), ("months = 0", "months"), ("", "never falls due")],
)
def test_tasks_that_cannot_be_are_refused(plan, settings, more, said):
    with pytest.raises(SiteError, match=said):
        settings(plan[0], TASK + more)


def test_results_name_the_placeholders_they_rest_on(plan):
    site_file, out = plan
    bare = geotools.run_step("upkeep", geotools.open_site(site_file), out)
    assert [text for text in bare.summary["placeholders"] if text.startswith("maintenance")]
    with Job(geotools.open_site(site_file), out) as job:
        row = next(row for row in job.provenance() if row["step"] == "upkeep")
    assert "rests on a placeholder: maintenance" in row["notes"]


def test_what_the_site_file_gives_is_no_placeholder(dated):
    _, outcome = dated
    assert outcome.summary["placeholders"] == ["upkeep: hour_rate 60.0"]


def test_tasks_are_for_the_head_types_they_name(plan, settings):
    site_file, out = plan
    only = SETTINGS.replace('name = "replacement"', 'name = "replacement"\nhead_types = ["24 GHz"]')
    geotools.run_step("upkeep", settings(site_file, only), out)
    rows = gpd.read_file(out / "plan.gpkg", layer="upkeep")
    heads = pyogrio.read_dataframe(out / "plan.gpkg", layer="heads")
    mine = heads.loc[heads["head_type"] == "24 GHz", "head_id"]
    assert 0 < len(mine) < len(heads)
    assert set(rows.loc[rows["task"] == "replacement", "place"]) == set(mine)
    cost = pyogrio.read_dataframe(out / "plan.gpkg", layer="upkeep_cost").set_index("scheme")
    assert cost.loc["new parts", "visits"] == 2 * len(mine)


def test_a_task_for_a_head_type_that_is_none_is_refused(plan, settings):
    with pytest.raises(SiteError, match="names head type 'laser'"):
        settings(plan[0], SETTINGS.replace('name = "replacement"', 'name = "replacement"\nhead_types = ["laser"]'))


def test_filled_rows_of_the_table_are_kept_and_overdue_is_counted(plan, settings):
    site_file, out = plan
    site = settings(site_file, SETTINGS)
    geotools.run_step("upkeep", site, out)
    rows = table(out)
    grass = [row for row in rows if row["task"] == "grass"]
    grass[0].update(done_on="4.5.2027", done_by="A. Gardener")
    write(out, rows)
    outcome = geotools.run_step("upkeep", site, out, overwrite=True, as_of="2027-07-01")
    kept = [row for row in table(out) if row["done_on"]]
    assert [(row["place"], row["done_on"], row["done_by"], row["status"]) for row in kept] == [
        (grass[0]["place"], "2027-05-04", "A. Gardener", "done")
    ]
    due_before = sum(row["due"] < "2027-07-01" for row in rows)
    assert outcome.summary["done"] == 1 and outcome.summary["overdue"] == due_before - 1 > 0
    assert any(f"{due_before - 1} tasks were due before 2027-07-01" in text for text in outcome.warnings)
    # the plan holds the record now, whatever becomes of the table
    (out / "upkeep.csv").unlink()
    geotools.run_step("upkeep", site, out, overwrite=True)
    assert [row["done_by"] for row in table(out) if row["done_on"]] == ["A. Gardener"]
    assert "(7 left to do)" in vobject.readOne((out / "upkeep.ics").read_text("utf-8")).vevent_list[0].summary.value


def test_filled_rows_of_tasks_that_are_gone_are_not_lost(plan, settings):
    site_file, out = plan
    site = settings(site_file, SETTINGS)
    geotools.run_step("upkeep", site, out)
    rows = table(out)
    rows[0].update(done_on="2027-05-04")
    write(out, rows)
    before = (out / "upkeep.csv").read_bytes()
    with pytest.raises(OutputError, match="would be lost"):
        geotools.run_step("upkeep", site, out, overwrite=True, start="2028-01-15")
    assert (out / "upkeep.csv").read_bytes() == before


@pytest.mark.parametrize("read_back", [True, False])
def test_what_was_done_stays_done_when_the_plan_starts_a_few_days_later(plan, settings, read_back):
    site_file, out = plan
    site = settings(site_file, SETTINGS)
    geotools.run_step("upkeep", site, out)
    rows = table(out)
    first = next(row for row in rows if row["task"] == "grass")
    first.update(done_on="2027-05-04", done_by="A. Gardener")
    write(out, rows)
    if read_back:
        geotools.run_step("upkeep", site, out, overwrite=True)
    outcome = geotools.run_step("upkeep", site, out, overwrite=True, start="2027-03-08")
    again = [row for row in table(out) if row["task"] == "grass" and row["place"] == first["place"]]
    # the same cut, due a week later: done, and not due once more
    assert (again[0]["due"], again[0]["status"], again[0]["done_by"]) == ("2027-05-08", "done", "A. Gardener")
    assert [row["status"] for row in again[1:]] == ["due"] * (len(again) - 1)
    assert first["due"] == "2027-05-01" and outcome.summary["done"] == 1 and len(table(out)) == len(rows)


def test_events_keep_their_identifiers_when_the_plan_starts_on_another_day(plan, settings):
    site_file, out = plan
    site = settings(site_file, SETTINGS)
    found = []
    for start in ("2027-03-01", "2027-03-15"):
        geotools.run_step("upkeep", site, out, overwrite=True, start=start)
        events = vobject.readOne((out / "upkeep.ics").read_text("utf-8")).vevent_list
        found.append({e.uid.value: e.dtstart.value for e in events})
        assert len(found[-1]) == len(events)
    assert set(found[0]) == set(found[1])
    moved = {(found[1][uid] - found[0][uid]).days for uid in found[0]}
    assert moved == {0, 14}  # surveys after a storm stay


def test_whoever_makes_alarms_tells_the_alarm_station(plan, settings):
    site_file, out = plan
    quiet = SETTINGS.replace('name = "grass"', 'name = "grass"\nalarms = false')
    geotools.run_step("upkeep", settings(site_file, quiet), out)
    for row in table(out):
        assert ("Notify the alarm station first" in row["instruction"]) == (row["task"] != "grass")
        assert "Radio exposure" in row["caution"] and row["state"] == "existing"
    for event in vobject.readOne((out / "upkeep.ics").read_text("utf-8")).vevent_list:
        assert ("alarm station" in event.description.value) == ("rass" not in event.summary.value)
        assert "Radio exposure" in event.description.value


def table(out):
    with open(out / "upkeep.csv", encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def write(out, rows):
    with open(out / "upkeep.csv", "w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0], delimiter=";")
        writer.writeheader()
        writer.writerows(rows)


def test_upkeep_is_of_the_state_that_the_other_papers_show(remedied, tmp_path, settings):
    shutil.copytree(remedied, tmp_path / "demo")
    site_file, out = tmp_path / "demo" / "input" / "site.toml", tmp_path / "demo" / "out"
    site = settings(site_file, SETTINGS)
    laid_out = pyogrio.read_dataframe(out / "plan.gpkg", layer="heads")
    with Job(site, out, overwrite=True) as job:
        # as a remedy that splits a zone leaves them: its parts have heads of their own
        rows = job.workspace.read(PROPOSED_HEADS)
        whole = rows["zone_id"] == "F01-Z002"
        parts = []
        for part, name in enumerate(("F01-Z002a", "F01-Z002b"), start=1):
            made = rows[whole].copy()
            made["head_id"] = made["head_id"].str.replace("F01-Z002", name)
            made["zone_id"], made["part"], made["change"], made["existing_height_m"] = name, part, "added", None
            parts.append(made)
        both = pd.concat([rows[~whole], *parts], ignore_index=True)
        job.workspace.write({PROPOSED_HEADS: gpd.GeoDataFrame(both, geometry="geometry", crs=rows.crs)})
    outcome = geotools.run_step("upkeep", site, out)
    geotools.run_step("stakeout", site, out)
    sheet = next(csv.DictReader((out / "stakeout.csv").open(encoding="utf-8")))
    rows = table(out)
    said = {tuple(row[name] for name in ("state", "revision", "revision_date", "state_code")) for row in rows}
    assert said == {tuple(sheet[name] for name in ("state", "revision", "revision_date", "state_code"))}
    assert sheet["state"] == "proposed" and any("proposed state" in note for note in outcome.notes)
    heads = pyogrio.read_dataframe(out / "plan.gpkg", layer="stakeout")["head_id"]
    assert {row["place"] for row in rows if row["task"] == "replacement"} == set(heads)
    zones = {row["place"] for row in rows if row["task"] == "grass"}
    assert {"F01-Z002a", "F01-Z002b"} <= zones and "F01-Z002" not in zones
    for event in vobject.readOne((out / "upkeep.ics").read_text("utf-8")).vevent_list:
        said = f"proposed state, no revision given, no date given, heads {sheet['state_code']}"
        assert said in event.description.value
    geotools.run_step("upkeep", site, out, overwrite=True, state="existing")
    rows = table(out)
    assert {row["state"] for row in rows} == {"existing"}
    assert {row["place"] for row in rows if row["task"] == "replacement"} == set(laid_out["head_id"])
