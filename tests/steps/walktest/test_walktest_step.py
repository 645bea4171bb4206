"""A walk test from the plan through the field and back, on the demonstration site."""

import csv
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from shapely import Point

import geotools
from geotools.errors import InputError, OutputError
from geotools.steps.walktest.results import read_results
from tests.validator import complaints


def read_form(path):
    with open(path, encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def write_form(path, rows):
    with open(path, "w", encoding="utf-8-sig", newline="") as stream:
        # as a spreadsheet of a country with decimal commas saves it
        writer = csv.DictWriter(stream, rows[0], delimiter=";")
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def planned(laid_out, tmp_path_factory):
    folder = tmp_path_factory.mktemp("planned") / "demo"
    shutil.copytree(laid_out, folder)
    geotools.run_step("walktest", geotools.open_site(folder / "input" / "site.toml"), folder / "out")
    return folder


@pytest.fixture
def field(planned, tmp_path):
    shutil.copytree(planned, tmp_path / "demo")
    return geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"


def walk(out, detects):
    """Walk every crossing of the form; ``detects`` says from a row what the receiver does."""
    rows = read_form(out / "walk_test.csv")
    for row in rows:
        row.update(result="detected" if detects(row) else "missed", walked_on="2027-05-03", walker="=A. Walker")
    write_form(out / "filled.csv", rows)
    return rows


def test_plan_has_the_trials_that_prove_detection(planned):
    rows = gpd.read_file(planned / "out" / "plan.gpkg", layer="walk_test")
    zones = pyogrio.read_dataframe(planned / "out" / "plan.gpkg", layer="zones")["zone_id"]
    # success-run number for 0.90 at 95 % confidence
    assert (rows.groupby(["zone_id", "threat"]).size() == 29).all()
    assert set(rows["zone_id"]) == set(zones) and set(rows["threat"]) == {"walk", "crawl", "prone"}
    assert rows["result"].isna().all()


def test_weakest_places_come_first_and_the_rest_covers_the_zone(planned):
    rows = gpd.read_file(planned / "out" / "plan.gpkg", layer="walk_test")
    for _, group in rows.sort_values("number").groupby(["zone_id", "threat"]):
        worst = group[group["reason"] == "worst spot"]
        assert list(group["reason"]) == sorted(group["reason"], key=lambda r: r != "worst spot")
        assert worst["modulation"].is_monotonic_increasing
        gaps = np.diff(np.sort(group["chainage_m"]))
        assert gaps.max() < 15  # of a zone of at most 100 m crossed 29 times


def test_crossings_run_across_the_zone_from_outside(planned):
    out = planned / "out" / "plan.gpkg"
    rows = gpd.read_file(out, layer="walk_test")
    fence = gpd.read_file(out, layer="fence").geometry.iloc[0]
    for _, row in rows.iloc[::13].iterrows():
        start, end = Point(row.geometry.coords[0]), Point(row.geometry.coords[-1])
        assert (start.distance(fence) < end.distance(fence)) == (row["direction"] == "inward")
        assert row.geometry.length == pytest.approx(6.0)


def test_forms_carry_the_same_crossings(planned):
    out = planned / "out"
    table = {r["crossing_id"] for r in read_form(out / "walk_test.csv")}
    assert table == set(gpd.read_file(out / "walk_test.gpkg", layer="walk_test")["crossing_id"])
    assert pyogrio.list_layers(out / "walk_test.gpkg")[0, 0] == "walk_test"


@pytest.mark.validator
def test_form_and_plan_are_valid_geopackages_with_results_in_them(field):
    site, out = field
    walk(out, lambda row: True)
    geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")
    for name in ("walk_test.gpkg", "plan.gpkg"):
        assert complaints(out / name) == ""


def test_results_are_judged_and_the_threshold_found(field):
    site, out = field
    true_m0 = 0.32
    rows = walk(out, lambda row: float(row["modulation"]) >= true_m0)
    outcome = geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")
    threshold = outcome.summary["threshold"]
    below = max(float(r["modulation"]) for r in rows if r["result"] == "missed")
    above = min(float(r["modulation"]) for r in rows if r["result"] == "detected")
    assert threshold["kind"] == "separated"
    assert (
        below - 0.001 <= threshold["low"] <= true_m0 + 0.001 and true_m0 - 0.001 <= threshold["high"] <= above + 0.001
    )
    result = pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_result")
    for _, row in result.iterrows():
        group = [r for r in rows if r["zone_id"] == row["zone_id"] and r["threat"] == row["threat"]]
        detected = sum(r["result"] == "detected" for r in group)
        assert (row["walked"], row["detected"]) == (29, detected)
        assert (row["verdict"] == "demonstrated") == (detected == 29)
        assert row["unexpected_misses"] == sum(r["result"] == "missed" and r["expected"] == "detected" for r in group)
    layer = gpd.read_file(out / "plan.gpkg", layer="walk_test")
    assert set(layer["walker"]) == {"=A. Walker"} and layer["walked_on"].notna().all()
    assert (out / "walk_test.png").read_bytes()[:4] == b"\x89PNG"
    assert any("disagrees" in text for text in outcome.notes)


def test_a_geopackage_from_a_field_app_is_read_too(field):
    site, out = field
    form = gpd.read_file(out / "walk_test.gpkg", layer="walk_test")
    form["result"] = np.where(form["number"] <= 5, "detected", None)
    form.to_file(out / "back.gpkg", layer="walk_test")
    outcome = geotools.run_step("walktest", site, out, overwrite=True, results=out / "back.gpkg")
    assert outcome.summary["walked"] == 5 * form.groupby(["zone_id", "threat"]).ngroups
    result = pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_result")
    assert (result["verdict"] == "not demonstrated yet").all() and (result["further"] == 24).all()


def test_results_cannot_be_lost_by_planning_again(field):
    site, out = field
    walk(out, lambda row: True)
    shutil.copy(out / "filled.csv", out / "walk_test.csv")
    before = (out / "walk_test.csv").read_bytes()
    with pytest.raises(OutputError, match="would be lost"):
        geotools.run_step("walktest", site, out, overwrite=True)
    assert (out / "walk_test.csv").read_bytes() == before
    geotools.run_step("walktest", site, out, overwrite=True, results=out / "walk_test.csv")
    # the plan holds them now, and a later run of the whole job keeps them
    again = geotools.run_step("walktest", site, out, overwrite=True)
    assert again.summary["walked"] == again.summary["crossings"]
    assert set(gpd.read_file(out / "plan.gpkg", layer="walk_test")["result"]) == {"detected"}
    geotools.run_step("walktest", site, out, overwrite=True, discard_results=True)
    assert gpd.read_file(out / "plan.gpkg", layer="walk_test")["result"].isna().all()


def test_crossings_stay_where_they_were_walked_when_the_layout_of_trials_changes(field):
    site, out = field
    before = {r["crossing_id"]: r["chainage_m"] for r in walk(out, lambda row: True)}
    geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv", trials=7, worst_share=0.0)
    after = {r["crossing_id"]: r["chainage_m"] for r in read_form(out / "walk_test.csv")}
    assert after == before


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"result": "perhaps"}, "neither detected nor missed"),
        ({"crossing_id": "F09-Z001-walk-01"}, "not in the plan"),
        ({"crossing_id": ""}, "names no crossing"),
        ({"walked_on": "3rd of May"}, "not a date"),
    ],
)
def test_results_that_make_no_sense_are_refused_and_nothing_changes(field, change, match):
    site, out = field
    rows = walk(out, lambda row: True)
    rows[4].update(change)
    write_form(out / "filled.csv", rows)
    before = (out / "plan.gpkg").read_bytes()
    with pytest.raises(InputError, match=match):
        geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")
    assert (out / "plan.gpkg").read_bytes() == before


def test_two_results_for_one_crossing_are_refused(field):
    site, out = field
    rows = walk(out, lambda row: True)
    write_form(out / "filled.csv", [*rows, rows[0]])
    with pytest.raises(InputError, match="two results"):
        geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")


def test_a_file_that_is_no_form_is_refused(field):
    site, out = field
    (out / "x.gpkg").write_bytes(b"not a GeoPackage")
    with pytest.raises(InputError, match="cannot be read"):
        geotools.run_step("walktest", site, out, overwrite=True, results=out / "x.gpkg")


def test_a_form_in_the_plans_folder_is_named_when_it_is_looked_for_elsewhere(tmp_path, monkeypatch):
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "walk_test.csv").write_text("crossing_id,result\n", "utf-8")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=r"--results north/walk_test\.csv"):
        read_results(Path("walk_test.csv"), Path("north"))
    with pytest.raises(InputError, match="where you stand"):
        read_results(Path("other.csv"), Path("north"))
