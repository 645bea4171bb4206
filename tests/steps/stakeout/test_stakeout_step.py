"""The set-up sheet of the demonstration site, read by other readers."""

import csv
import math
import re
from dataclasses import replace

import fiona
import geopandas as gpd
import numpy as np
import pypdf
import pytest
from pyproj import Geod

import geotools
from geotools.corridor import BeamLine
from geotools.detection.chains import perimeter_of
from geotools.earthwork.from_plan import CUT_FILL, surface_over, write_change
from geotools.earthwork.proposal import proposed_rows
from geotools.engine.runner import Job
from geotools.plan.schema import PROPOSED_HEADS
from geotools.plan.workspace import frame_of


@pytest.fixture
def sheet(plan):
    site_file, out = plan
    geotools.run_step("stakeout", geotools.open_site(site_file), out)
    return out


def test_every_head_is_on_the_sheet_with_its_partner(sheet):
    heads = gpd.read_file(sheet / "plan.gpkg", layer="heads").set_index("head_id")
    rows = gpd.read_file(sheet / "plan.gpkg", layer="stakeout").set_index("head_id")
    assert set(rows.index) == set(heads.index)
    for head, row in rows.iterrows():
        other = rows.loc[row["faces_head_id"]]
        assert other["faces_head_id"] == head
        assert row["role"] != other["role"] and row["level"] == other["level"]
        assert row["axis_m"] == pytest.approx(row["finished_m"] + row["height_m"])
        assert row["tilt_deg"] == pytest.approx(-other["tilt_deg"])


def test_aim_and_distance_agree_with_the_ellipsoid(sheet):
    # independent: geodesic between the posts' longitudes and latitudes
    rows = gpd.read_file(sheet / "plan.gpkg", layer="stakeout").to_crs(4326).set_index("head_id")
    geod = Geod(ellps="WGS84")
    for _, row in rows.iterrows():
        there = rows.loc[row["faces_head_id"]].geometry
        azimuth, _, distance = geod.inv(row.geometry.x, row.geometry.y, there.x, there.y)
        assert (row["true_azimuth_deg"] - azimuth + 180) % 360 - 180 == pytest.approx(0, abs=0.003)
        assert row["distance_m"] == pytest.approx(distance, abs=0.005)


def test_turned_heads_say_how_they_are_fitted(sheet):
    rows = gpd.read_file(sheet / "plan.gpkg", layer="stakeout")
    for _, row in rows.iterrows():
        assert row["turned"] == (row["polarisation"] == "horizontal")
        assert ("turned 90 degrees" in row["fitting"]) == row["turned"]
        assert "as the head's manual says" in row["fitting"]


def test_gpx_is_read_by_gdal(sheet):
    with fiona.open(sheet / "stakeout.gpx", layer="waypoints") as gpx:
        points = {f["properties"]["name"]: f for f in gpx}
    rows = gpd.read_file(sheet / "plan.gpkg", layer="stakeout").to_crs(4326)
    assert set(points) == set(rows["post_id"])
    for _, row in rows.iterrows():
        lon, lat = points[row["post_id"]]["geometry"]["coordinates"][:2]
        assert math.hypot(lon - row.geometry.x, lat - row.geometry.y) < 1e-9
        assert row["head_id"] in points[row["post_id"]]["properties"]["desc"]


def test_csv_holds_map_coordinates_to_the_millimetre(sheet):
    with open(sheet / "stakeout.csv", encoding="utf-8", newline="") as stream:
        cells = {row["head_id"]: row for row in csv.DictReader(stream)}
    for _, row in gpd.read_file(sheet / "plan.gpkg", layer="stakeout").iterrows():
        assert float(cells[row["head_id"]]["easting"]) == pytest.approx(row.geometry.x, abs=0.0006)
        assert float(cells[row["head_id"]]["northing"]) == pytest.approx(row.geometry.y, abs=0.0006)
        assert cells[row["head_id"]]["channel"] == ""


def propose(site_file, out, changed=(), split=None, fill_m=0.0):
    """A proposed state as remedy leaves it: heads at other heights, a zone in two parts, the northern half filled."""
    site = geotools.open_site(site_file)
    with Job(site, out, overwrite=True) as job:
        plan = job.workspace
        perimeter = perimeter_of(site, plan.read, job.terrain)
        surface = surface_over(site, perimeter, job.terrain)
        middle = surface.change.shape[0] // 2
        lines = {name: zone.line for name, zone in perimeter.zones.items()}
        strips = [surface.strip_cells(lines, 2.0)] if fill_m else []
        for strip in strips:
            row, column = surface.locate(strip.x, strip.y)
            surface.change[row[row < middle], column[row < middle]] = fill_m
        write_change(out / CUT_FILL, plan.plan_crs, surface, strips)
        proposed = {}
        for (zone_id, level), heights in dict(changed).items():
            proposed[zone_id] = (perimeter.zones[zone_id].with_heights(level, *heights),)
        if split is not None:
            zone = perimeter.zones[split]
            x, y = (float(v) for v in zone.line.to_map(zone.line.length / 2))
            first = replace(zone, zone_id=f"{split}a", line=BeamLine(zone.line.x0, zone.line.y0, x, y), heads=())
            second = replace(zone, zone_id=f"{split}b", line=BeamLine(x, y, zone.line.x1, zone.line.y1), heads=())
            proposed[split] = (first, second)
        rows = proposed_rows(perimeter, proposed, surface)
        plan.write({PROPOSED_HEADS: frame_of(PROPOSED_HEADS, rows, plan.work_crs)})


def test_heads_stand_as_they_are_proposed(plan):
    site_file, out = plan
    heads = gpd.read_file(out / "plan.gpkg", layer="heads").set_index("head_id")
    zones = sorted(heads["zone_id"].unique())[:4]
    set_to = {zones[0]: (0.25, 0.28), zones[3]: (0.21, 0.22)}
    propose(site_file, out, {(zone, "low"): both for zone, both in set_to.items()}, split=zones[2])
    outcome = geotools.run_step("stakeout", geotools.open_site(site_file), out)
    rows = gpd.read_file(out / "plan.gpkg", layer="stakeout").set_index("head_id")
    for head, row in rows[rows["zone_id"].isin(heads["zone_id"])].iterrows():
        laid_out = heads.loc[head, "height_m"]
        both = set_to.get(row["zone_id"]) if row["level"] == "low" else None
        height = laid_out if both is None else both[row["role"] == "receiver"]
        assert row["height_m"] == pytest.approx(height)
        assert row["axis_m"] == pytest.approx(row["finished_m"] + height)
        assert row.geometry.z == pytest.approx(row["axis_m"])
    assert any("4 heads" in note for note in outcome.notes)
    # a zone that is split stands on the sheet as its parts, with posts of their own
    assert set(rows["zone_id"]) == set(heads["zone_id"]) - {zones[2]} | {f"{zones[2]}a", f"{zones[2]}b"}
    # the picture of the posts has the heights of the table, not those laid out
    drawn = "".join(page.extract_text() for page in pypdf.PdfReader(out / "stacks.pdf").pages)
    assert all(f"low {height:.2f} m" in drawn for both in set_to.values() for height in both)
    assert "proposed state" in drawn
    geotools.run_step("stakeout", geotools.open_site(site_file), out, overwrite=True, state="existing")
    rows = gpd.read_file(out / "plan.gpkg", layer="stakeout").set_index("head_id")
    assert (rows["height_m"] - heads["height_m"]).abs().max() < 1e-9


def test_the_picture_of_a_post_has_the_place_level_and_aim_of_the_tables(sheet):
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(sheet / "stacks.pdf").pages)
    said = re.findall(
        r"(F\d+-Z\d+-[AB]): (transmitter|receiver)s.*?x ([\d.]+)\s+y ([\d.]+), ground ([\d.-]+) m\s+"
        r"aim ([\d.]+)° grid at (F\d+-Z\d+-[AB])",
        text,
        re.DOTALL,
    )
    assert "vertical datum: " in text and "(EPSG:32632), metre" in text
    points = {row["P"]: row for row in table(sheet / "stakeout_points.csv")}
    heads = {row["post_id"]: row for row in table(sheet / "stakeout.csv")}
    assert {name for name, *_ in said} == set(points)
    # zones whose transmitters stand at their end, as every second one does, among them
    assert {(name[-1], role) for name, role, *_ in said} == {(p, r) for p in "AB" for r in ("transmitter", "receiver")}
    for name, role, x, y, ground, aim, other in said:
        row = heads[name]
        place = float(points[name]["E"]), float(points[name]["N"]), float(points[name]["Z"])
        assert (float(x), float(y), float(ground)) == pytest.approx(place, abs=0.006), name
        assert role == row["role"] and other == heads_post(heads, row["faces_head_id"])
        assert float(aim) == pytest.approx(float(row["grid_azimuth_deg"]), abs=0.06), name


def heads_post(heads, head_id):
    """The post of a zone that holds a head."""
    zone, role = head_id.rsplit("-", 2)[0], {"TX": "transmitter", "RX": "receiver"}[head_id.split("-")[-2]]
    return next(post for post, row in heads.items() if row["zone_id"] == zone and row["role"] == role)


def test_finished_ground_takes_in_the_grading(plan):
    site_file, out = plan
    propose(site_file, out, fill_m=0.125)
    outcome = geotools.run_step("stakeout", geotools.open_site(site_file), out)
    rows = gpd.read_file(out / "plan.gpkg", layer="stakeout")
    heads = gpd.read_file(out / "plan.gpkg", layer="heads").set_index("head_id")
    _, bottom, _, top = heads.total_bounds
    north, south = rows.geometry.y > (top + bottom) / 2 + 5, rows.geometry.y < (top + bottom) / 2 - 5
    assert north.any() and south.any()
    assert np.allclose(rows.loc[north, "earthwork_m"], 0.125) and np.allclose(rows.loc[south, "earthwork_m"], 0)
    assert np.allclose(rows["ground_m"], heads.loc[rows["head_id"], "ground_m"], atol=1e-6)
    posts = rows.loc[rows["earthwork_m"] > 0.001, "post_id"].nunique()
    assert any(f"moves the ground at {posts} posts" in note for note in outcome.notes)


def test_every_paper_of_the_stakeout_names_the_same_state(plan, settings):
    site_file, out = plan
    propose(site_file, out)
    site = settings(site_file, '[sheets]\nrevision = "B"\ndate = 2027-05-03')
    outcome = geotools.run_step("stakeout", site, out)
    words = outcome.summary["state"]
    assert words.startswith("proposed state, revision B of 2027-05-03, heads ")
    assert words in (out / "stakeout_points.txt").read_text("utf-8")
    assert words in (out / "stakeout.gpx").read_text("utf-8")
    assert words in pypdf.PdfReader(out / "stacks.pdf").pages[0].extract_text().replace("\n", " ")
    for name in ("stakeout.csv", "stakeout_checks.csv"):
        (row, *_) = table(out / name)
        assert (row["state"], row["revision"], row["revision_date"]) == ("proposed", "B", "2027-05-03")
        assert words.endswith(row["state_code"])
    (row, *_) = table(out / "stakeout.csv")
    assert (row["map_unit"], row["vertical_datum"]) == ("metre", "invented, local")
    assert "EPSG:32632" in row["coordinate_system"]


def test_papers_of_other_heads_have_another_code(plan):
    site_file, out = plan
    site = geotools.open_site(site_file)
    before = geotools.run_step("stakeout", site, out).summary["state"]
    zone = gpd.read_file(out / "plan.gpkg", layer="heads")["zone_id"].iloc[0]
    propose(site_file, out, {(zone, "low"): (0.32, 0.32)})
    after = geotools.run_step("stakeout", site, out, overwrite=True)
    assert before.startswith("existing state, no revision given") and after.summary["state"].startswith("proposed")
    assert before[-8:] != after.summary["state"][-8:]


def table(path):
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_instruments_get_one_row_a_post_without_a_byte_order_mark(sheet):
    assert (sheet / "stakeout_points.csv").read_bytes()[:12] == b"P,N,E,Z,code"
    posts = gpd.read_file(sheet / "plan.gpkg", layer="stakeout").drop_duplicates("post_id").set_index("post_id")
    points = table(sheet / "stakeout_points.csv")
    assert [p["P"] for p in points] == sorted(posts.index)
    for point in points:
        post = posts.loc[point["P"]]
        assert float(point["N"]) == pytest.approx(post.geometry.y, abs=0.0006)
        assert float(point["E"]) == pytest.approx(post.geometry.x, abs=0.0006)
        assert float(point["Z"]) == pytest.approx(post["finished_m"], abs=0.0006)
        assert point["code"] == "POST"
    beside = (sheet / "stakeout_points.txt").read_text("utf-8")
    for part in ("EPSG:32632", "unit of N, E and Z: metre", "vertical datum of Z: invented, local", "buried services"):
        assert part in beside


def test_a_total_station_gets_the_easting_first_and_a_spreadsheet_its_mark(plan):
    site_file, out = plan
    geotools.run_step("stakeout", geotools.open_site(site_file), out, point_order="PENZ", bom=True)
    assert (out / "stakeout_points.csv").read_bytes().startswith(b"\xef\xbb\xbfP,E,N,Z,code")
    assert "columns: P, E, N, Z, code (total station)" in (out / "stakeout_points.txt").read_text("utf-8")


def test_check_distances_are_those_between_the_posts(sheet):
    posts = gpd.read_file(sheet / "plan.gpkg", layer="stakeout").drop_duplicates("post_id").set_index("post_id")
    there = posts.to_crs(4326)
    checks = table(sheet / "stakeout_checks.csv")
    assert {row["map_unit"] for row in checks} == {"metre"}
    zones = posts["zone_id"].nunique()
    assert [c["check"] for c in checks].count("along the zone") == zones
    # the fence is closed: the last zone meets the first
    assert len(checks) == zones + 2 * zones
    assert checks[-1]["from_post"].startswith(f"F01-Z00{zones}") and checks[-1]["to_post"].startswith("F01-Z001")
    for check in checks:
        a, b = posts.loc[check["from_post"]].geometry, posts.loc[check["to_post"]].geometry
        assert float(check["grid_distance"]) == pytest.approx(math.hypot(a.x - b.x, a.y - b.y), abs=0.0006)
        levels = (posts.loc[check[end], "finished_m"] for end in ("from_post", "to_post"))
        assert float(check["level_difference_m"]) == pytest.approx(-np.subtract(*levels), abs=0.0011)
        a, b = there.loc[check["from_post"]].geometry, there.loc[check["to_post"]].geometry
        # independent: the geodesic on the ellipsoid
        assert float(check["ground_distance_m"]) == pytest.approx(
            Geod(ellps="WGS84").inv(a.x, a.y, b.x, b.y)[2], abs=0.005
        )


def test_a_beam_that_names_no_head_is_made_anew_from_the_heads(plan):
    site_file, out = plan
    beams = gpd.read_file(out / "plan.gpkg", layer="beams")
    lost = beams.loc[0, "rx_head_id"]
    beams.loc[0, "rx_head_id"] = "elsewhere"
    beams.to_file(out / "plan.gpkg", layer="beams", mode="w")
    geotools.run_step("stakeout", geotools.open_site(site_file), out)
    assert lost in set(gpd.read_file(out / "plan.gpkg", layer="stakeout")["head_id"])
    assert lost in set(gpd.read_file(out / "plan.gpkg", layer="beams")["rx_head_id"])
