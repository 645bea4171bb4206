"""A walk test from the plan through the field and back, on the demonstration site."""

import csv
import datetime
import shutil
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import openpyxl
import pyogrio
import pypdf
import pytest
from shapely import LineString, Point

import geotools
from geotools.engine.freshness import job_states
from geotools.engine.runner import Job
from geotools.errors import InputError, OutputError
from geotools.plan.schema import CROSSINGS, HEADS
from geotools.steps.walktest import reading
from geotools.steps.walktest.effort import fewest_words
from geotools.steps.walktest.lettering import Lettering
from geotools.steps.walktest.placing import REASONS
from tests.steps.stakeout.test_stakeout_step import propose
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


def test_the_mean_and_the_expected_number_of_crossings_are_said_beside_the_most(field):
    site, out = field
    outcome = geotools.run_step("walktest", site, out, overwrite=True)
    rows = gpd.read_file(out / "plan.gpkg", layer="walk_test").sort_values("walk_order")
    groups = [group for _, group in rows.groupby(["zone_id", "threat"])]
    # with no miss allowed a test goes on until its first miss
    assert outcome.summary["crossings_on_average"] == pytest.approx(len(groups) * (1 - 0.99**29) / 0.01, abs=0.06)
    until = [next((n for n, e in enumerate(g["expected"], 1) if e == "missed"), len(g)) for g in groups]
    assert outcome.summary["crossings_as_expected"] == sum(until) < len(rows)
    told = next(note for note in outcome.notes if "crossings at most" in note)
    assert f"{len(rows)} crossings at most" in told and f"{sum(until)} if all goes as the model expects" in told
    (row, *_) = read_form(out / "walk_test.csv")
    assert row["stop"].startswith("1 miss ends this zone and threat")
    # zones with dead spots fail at their first crossing: nobody walks the other 28
    assert min(until) == 1


def test_weakest_places_come_first_and_the_rest_covers_the_zone(planned):
    rows = gpd.read_file(planned / "out" / "plan.gpkg", layer="walk_test")
    for _, group in rows.sort_values("number").groupby(["zone_id", "threat"]):
        worst = group[group["reason"] == "worst spot"]
        assert list(group["reason"]) == sorted(group["reason"], key=REASONS.index)
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


def test_worst_places_by_verdict_lie_in_their_dead_spots(with_gaps, tmp_path):
    shutil.copytree(with_gaps, tmp_path / "demo")
    out = tmp_path / "demo" / "out"
    geotools.run_step("walktest", geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), out)
    rows = gpd.read_file(out / "walk_test.gpkg", layer="walk_test")
    spots = gpd.read_file(out / "plan.gpkg", layer="dead_spots")
    first = rows[rows["reason"] == "undetected"]
    assert len(first)
    for _, row in first.iterrows():
        mine = spots[(spots["zone_id"] == row["zone_id"]) & (spots["threat"] == row["threat"])]
        assert mine.intersects(row.geometry).any()
        assert (mine["from_m"] - 0.3 <= row["chainage_m"]).any() and (row["chainage_m"] <= mine["to_m"] + 0.3).any()
    # every zone and threat with a dead spot is sent into one
    hit = set(zip(first["zone_id"], first["threat"], strict=True))
    assert hit == set(zip(spots["zone_id"], spots["threat"], strict=True))
    assert (rows["reason"] == "unproven").any()


def test_a_crossing_is_found_by_its_coordinates_and_from_its_named_post(planned):
    out = planned / "out"
    posts = gpd.read_file(out / "plan.gpkg", layer="heads").drop_duplicates("post_id").set_index("post_id")
    zones = gpd.read_file(out / "plan.gpkg", layer="beams").drop_duplicates("zone_id").set_index("zone_id")
    with fiona.open(out / "walk_test.gpx", layer="waypoints") as gpx:
        points = {f["properties"]["name"]: f["geometry"]["coordinates"] for f in gpx}
    with fiona.open(out / "walk_test.gpx", layer="route_points") as route:
        order = [f["properties"]["name"].split()[1] for f in route]
    rows = read_form(out / "walk_test.csv")
    assert order == [row["crossing_id"] for row in rows]
    degrees = gpd.read_file(out / "walk_test.gpkg", layer="walk_test").to_crs(4326).set_index("crossing_id")
    for row in rows[::17]:
        start = Point(float(row["start_easting"]), float(row["start_northing"]))
        end = Point(float(row["end_easting"]), float(row["end_northing"]))
        crosses = LineString([start, end]).intersection(zones.geometry[row["zone_id"]])
        # a tape from the named post to the beam line where the way crosses it
        assert posts.geometry[row["from_post"]].distance(crosses) == pytest.approx(float(row["from_post_m"]), abs=0.01)
        assert Point(points[row["crossing_id"]]).distance(Point(degrees.geometry[row["crossing_id"]].coords[0])) < 1e-8
    rounds = [int(row["round"]) for row in rows]
    assert rounds == sorted(rounds) and [int(row["walk_order"]) for row in rows] == list(range(1, len(rows) + 1))


def test_every_form_names_state_and_cautions(planned):
    out = planned / "out"
    book = openpyxl.load_workbook(out / "walk_test.xlsx")
    about = " ".join(str(cell.value) for line in book["about"] for cell in line)
    texts = {
        "csv": (out / "walk_test.csv").read_text("utf-8"),
        "xlsx": about,
        "gpx": (out / "walk_test.gpx").read_text("utf-8"),
        "pdf": " ".join(pypdf.PdfReader(out / "walk_test.pdf").pages[0].extract_text().split()),
        "gpkg": pyogrio.read_info(out / "walk_test.gpkg", layer="walk_test")["layer_metadata"]["DESCRIPTION"],
    }
    for name, text in texts.items():
        assert "alarm station" in text and "Radio exposure" in text, name
    for name in ("xlsx", "gpx", "pdf"):
        assert "existing state, no revision given" in texts[name].replace("Existing", "existing"), name
    for name in ("xlsx", "pdf"):
        assert "no test shows 0.90 at 95 % confidence with fewer than 29 crossings" in texts[name], name
    assert len(pypdf.PdfReader(out / "walk_test.pdf").pages) == 8


def words_of(page):
    """Every piece of text of a page of paper with its box: text, left, bottom, width, height, mm."""
    found = []

    def keep(text, _cm, tm, _font, size):
        if text.strip():
            # digits of this family are 0.64 of the letters' size wide (0.70 where bold); a word of letters, less
            wide = len(text.strip()) * 0.62 * size
            found.append(
                (text.strip(), tm[4] / 72 * 25.4, tm[5] / 72 * 25.4, wide / 72 * 25.4, size * 0.72 / 72 * 25.4)
            )

    page.extract_text(visitor_text=keep)
    return found


def test_on_the_sketches_no_number_runs_into_another_or_into_the_word_beside_the_fence(planned):
    numbers = 0
    for page in pypdf.PdfReader(planned / "out" / "walk_test.pdf").pages:
        words = [word for word in words_of(page) if word[0].isdigit() or word[0] == "fence"]
        numbers += sum(word[0].isdigit() for word in words)
        for k, (text, x, y, wide, tall) in enumerate(words):
            for other, x1, y1, wide1, tall1 in words[k + 1 :]:
                beside = min(x + wide, x1 + wide1) > max(x, x1)
                level = min(y + tall, y1 + tall1) > max(y, y1)
                assert not (beside and level), f"{text} and {other} at {x:.1f}, {y:.1f} mm"
    assert numbers > 500


@pytest.mark.parametrize(
    ("probability", "confidence", "fewest", "passes"),
    # success run: n = ln(1 - C) / ln(p), rounded up; worked out by hand with logarithms
    [(0.90, 0.95, 29, "5.2"), (0.95, 0.95, 59, "5.1"), (0.90, 0.90, 22, "10.9"), (0.80, 0.95, 14, "5.5")],
)
def test_the_papers_say_why_no_test_is_shorter(settings, plan, probability, confidence, fewest, passes):
    text = f"[walktest]\nprobability = {probability}\nconfidence = {confidence}"
    said = fewest_words(settings(plan[0], text))
    assert f"fewer than {fewest} crossings" in said and f"{fewest - 1} of them without a miss in {passes} %" in said


def test_lettering_keeps_off_words_and_lines_in_turn():
    lettering = Lettering()
    lettering.draw([(0.0, 5.0), (20.0, 5.0)])
    # the first word is free; the second finds the first one there, then the line, and takes the third place
    assert lettering.place([(10.0, 2.0), (10.0, 5.5)], 4.0, 5.0) == (10.0, 2.0)
    assert lettering.place([(12.0, 2.0), (12.0, 5.5), (12.0, 9.0)], 4.0, 5.0) == (12.0, 9.0)
    # rather on the line than on a word
    assert lettering.place([(10.0, 2.0), (10.0, 5.5)], 4.0, 5.0) == (10.0, 5.5)


def test_a_workbook_with_days_as_people_write_them_is_read_in_part(field):
    site, out = field
    book = openpyxl.load_workbook(out / "walk_test.xlsx")
    sheet = book["walk_test"]
    column = {cell.value: cell.column for cell in sheet[1]}
    sheet.cell(2, column["result"], "detected")
    sheet.cell(2, column["walked_on"], "3.5.2027")
    sheet.cell(2, column["walker"], "=A. Walker")
    sheet.cell(3, column["result"], "yes")
    sheet.cell(3, column["walked_on"], datetime.datetime(2027, 5, 4))
    sheet.cell(3, column["speed_m_s"], 9.0)
    moved = float(sheet.cell(4, column["chainage_m"]).value) + 3.0
    sheet.cell(4, column["result"], "missed")
    sheet.cell(4, column["chainage_m"], moved)
    sheet.cell(1, len(column) + 1, "weather")
    names = [sheet.cell(line, column["crossing_id"]).value for line in (2, 3, 4)]
    sheet.delete_rows(40, 2000)
    book.save(out / "back.xlsx")
    outcome = geotools.run_step("walktest", site, out, overwrite=True, results=out / "back.xlsx")
    rows = gpd.read_file(out / "plan.gpkg", layer="walk_test").set_index("crossing_id")
    assert rows["result"].notna().sum() == 3
    assert [str(day)[:10] for day in rows.loc[names[:2], "walked_on"]] == ["2027-05-03", "2027-05-04"]
    assert rows.loc[names[2], "chainage_m"] == pytest.approx(moved)
    zone = gpd.read_file(out / "plan.gpkg", layer="beams").set_index("zone_id").geometry[rows.loc[names[2], "zone_id"]]
    line = zone if isinstance(zone, LineString) else zone.iloc[0]
    crosses = rows.loc[names[2]].geometry.intersection(line)
    assert Point(line.coords[0][:2]).distance(crosses) == pytest.approx(moved, abs=0.01)
    said = " ".join(outcome.notes)
    assert "35 rows without a result are left out" in said
    assert "columns that are not read: weather" in said
    assert "edits of speed_m_s in 1 rows are ignored" in said and "1 crossing is taken at the chainage" in said


def test_a_day_that_reads_two_ways_is_refused(field):
    site, out = field
    rows = read_form(out / "walk_test.csv")[:1]
    rows[0].update(result="detected", walked_on="05/03/2027")
    write_form(out / "filled.csv", rows)
    with pytest.raises(InputError, match=r"day\.month\.year"):
        geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")


def test_results_walked_on_other_heads_are_void(field):
    site, out = field
    walk(out, lambda row: True)
    geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")
    result = pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_result")
    assert set(result["verdict"]) == {"demonstrated"}
    with Job(site, out) as job:
        heads = job.workspace.read(HEADS)
        zone = heads["zone_id"].iloc[0]
        low = (heads["zone_id"] == zone) & (heads["level"] == "low")
        heads.loc[low, "height_m"] = 1.5
        job.workspace.write({HEADS: heads})
    outcome = geotools.run_step("walktest", site, out, overwrite=True)
    result = pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_result").set_index("zone_id")
    assert set(result.loc[zone, "verdict"]) == {"void"}
    assert (result.loc[zone, "walked"] == 0).all() and (result.loc[zone, "void"] == 29).all()
    rows = gpd.read_file(out / "plan.gpkg", layer="walk_test")
    assert set(rows.loc[rows["zone_id"] == zone, "void"]) == {"heads changed since"}
    # of the neighbours only what their heads decide together
    beside = rows[(rows["zone_id"] != zone) & rows["void"].notna()]
    assert 0 < len(beside) < 0.2 * len(rows)
    assert any("void" in text for text in outcome.warnings)
    far = result.drop(zone)
    assert (far.loc[far["void"] == 0, "verdict"] == "demonstrated").all() and (far["void"] == 0).any()


def test_the_form_of_a_proposed_state_expects_what_the_proposal_gives(field):
    site, out = field
    propose(site.folder / "site.toml", out, {("F01-Z001", "low"): (1.5, 1.5)})
    geotools.run_step("stakeout", site, out)
    proposed = geotools.run_step("walktest", site, out, overwrite=True)
    rows = gpd.read_file(out / "walk_test.gpkg", layer="walk_test")
    raised = rows[(rows["zone_id"] == "F01-Z001") & (rows["threat"] == "prone")]
    assert set(rows["state"]) == {"proposed"} and (raised["expected"] == "missed").any()
    existing = geotools.run_step("walktest", site, out, overwrite=True, state="existing")
    rows = gpd.read_file(out / "walk_test.gpkg", layer="walk_test")
    assert set(rows["state"]) == {"existing"}
    before = rows[(rows["zone_id"] == "F01-Z001") & (rows["threat"] == "prone")]
    assert (before["expected"] == "missed").sum() < (raised["expected"] == "missed").sum()
    # stakeout and walk test of one state name the same heads
    points = (out / "stakeout_points.txt").read_text("utf-8")
    assert proposed.summary["state"] in points and existing.summary["state"] not in points


def test_the_whole_site_is_shown_with_fewer_crossings(planned, tmp_path, settings):
    shutil.copytree(planned, tmp_path / "demo")
    out = tmp_path / "demo" / "out"
    site = settings(tmp_path / "demo" / "input" / "site.toml", '[walktest]\nscope = "site"')
    geotools.run_step("walktest", site, out, overwrite=True)
    rows = gpd.read_file(out / "plan.gpkg", layer="walk_test")
    assert (rows.groupby("threat").size() == 29).all() and (rows.groupby(["zone_id", "threat"]).size() >= 1).all()
    walk(out, lambda row: True)
    geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")
    result = pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_result")
    assert set(result["zone_id"]) == {"whole site"} and set(result["verdict"]) == {"demonstrated"}
    assert len(result) == 3


def test_a_form_in_the_plans_folder_is_named_when_it_is_looked_for_elsewhere(tmp_path, monkeypatch):
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "walk_test.csv").write_text("crossing_id,result\n", "utf-8")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=r"--results north/walk_test\.csv"):
        reading.read_form(Path("walk_test.csv"), Path("north"))
    with pytest.raises(InputError, match="where you stand"):
        reading.read_form(Path("other.csv"), Path("north"))


@pytest.fixture
def judged(with_gaps, tmp_path):
    """After gaps, with a walk test planned: site, folder, the model's verdicts."""
    shutil.copytree(with_gaps, tmp_path / "demo")
    site, out = geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"
    geotools.run_step("walktest", site, out)
    return site, out, gpd.read_file(out / "plan.gpkg", layer="verdicts")


def stale(site, out):
    return {one.name for one in job_states(site, out) if one.state == "stale"}


def test_verdicts_along_the_fence_follow_the_walk_and_results_on_other_heads_change_none(judged, monkeypatch):
    site, out, before = judged
    assert set(before["basis"]) == {"model"} and not stale(site, out)
    rows = walk(out, lambda row: row["expected"] == "detected")
    lost = next(r for r in rows if (r["zone_id"], r["threat"], r["expected"]) == ("F01-Z002", "walk", "detected"))
    lost["result"] = "missed"
    for row in rows:
        if row["zone_id"] == "F01-Z004":  # walked on other heads: void
            row.update(result="missed", heads_code="00000000")
    write_form(out / "filled.csv", rows)
    # as people give it: from where they stand
    monkeypatch.chdir(out)
    outcome = geotools.run_step("walktest", site, out, overwrite=True, results=Path("filled.csv"))
    after = gpd.read_file(out / "plan.gpkg", layer="verdicts")
    mine = after[(after["zone_id"] == "F01-Z002") & (after["threat"] == "walk")]
    assert set(mine["verdict"]) == {"undetected", "unproven"}, "nothing is detected where the model was refuted"
    walked = gpd.read_file(out / "plan.gpkg", layer="walk_test").set_index("crossing_id").geometry
    fence = gpd.read_file(out / "plan.gpkg", layer="fence").set_index("fence_id").geometry
    (piece,) = mine[mine["cause"] == "walk_missed"].itertuples()
    # the fence opposite the crossing, which runs across the beam
    opposite = fence[piece.fence_id].project(walked[lost["crossing_id"]].centroid)
    assert piece.from_m - 0.5 <= opposite <= piece.to_m + 0.5 and piece.to_m - piece.from_m < 3.0
    assert set(after.loc[(after["zone_id"] == "F01-Z004") & (after["threat"] != "all"), "basis"]) == {"model"}
    assert outcome.summary["fence_verdicts"]["walk"]["undetected"] > 0
    assert outcome.summary["table"]["title"].startswith("verdicts")
    assert any("undetected by the walk test" in text for text in outcome.warnings)
    # a demonstration for a zone and threat turns what was unproven for what is not known exactly, near its crossings
    shown = after[(after["basis"] == "walk_test") & (after["verdict"] == "detected") & (after["threat"] != "all")]
    assert len(shown) and set(shown["model_verdict"]) == {"unproven"}
    result = pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_result").set_index(["zone_id", "threat"])["verdict"]
    assert {result[key] for key in zip(shown["zone_id"], shown["threat"], strict=True)} == {"demonstrated"}
    assert not stale(site, out), "what was read is known, wherever it was named from"


def test_form_and_sketches_say_which_zones_are_worth_a_crossing_each_half_metre(with_gaps, tmp_path):
    shutil.copytree(with_gaps, tmp_path / "demo")
    site, out = geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"
    with Job(site, out, overwrite=True) as job:
        held = job.workspace.read(CROSSINGS)
        # the threshold of the demonstration is 0.2: one zone near it, one a little farther than half as much again
        held["modulation_95"] = 0.9
        for zone, m in (("F01-Z002", 0.17), ("F01-Z003", 0.31)):
            held.loc[(held["zone_id"] == zone) & (held["threat"] == "prone"), "modulation_95"] = m
        job.workspace.write({CROSSINGS: held})
    outcome = geotools.run_step("walktest", site, out, state="existing")
    (told,) = [note for note in outcome.notes if "how heads hang" in note]
    assert "F01-Z002 (prone 0.17" in told and "F01-Z003" not in told and "95 % confidence" in told
    said = {row["zone_id"]: row["head_heights"] for row in read_form(out / "walk_test.csv")}
    assert {zone for zone, text in said.items() if "each 0.5 m" in text} == {"F01-Z002"}
    about = openpyxl.load_workbook(out / "walk_test.xlsx")["about"]
    assert told in {cell.value for row in about.iter_rows() for cell in row}
    pages = [page.extract_text() for page in pypdf.PdfReader(out / "walk_test.pdf").pages]
    assert [("each 0.5 m" in page) for page in pages] == ["F01-Z002" in page.splitlines()[0] for page in pages]
    # what the form says itself is no edit when it comes back
    walk(out, lambda row: True)
    outcome = geotools.run_step("walktest", site, out, overwrite=True, state="existing", results=out / "filled.csv")
    assert not any("head_heights" in note for note in outcome.notes)
