"""The set-up sheet of the demonstration site, read by other readers."""

import csv
import math

import fiona
import geopandas as gpd
import numpy as np
import pypdf
import pytest
import rasterio
from pyproj import CRS, Geod
from rasterio.transform import from_origin

import geotools
from geotools.plan.schema import HEADS, PROPOSED_HEADS
from geotools.plan.workspace import Workspace, frame_of


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
    with open(sheet / "stakeout.csv", encoding="utf-8-sig", newline="") as stream:
        cells = {row["head_id"]: row for row in csv.DictReader(stream)}
    for _, row in gpd.read_file(sheet / "plan.gpkg", layer="stakeout").iterrows():
        assert float(cells[row["head_id"]]["easting"]) == pytest.approx(row.geometry.x, abs=0.0006)
        assert float(cells[row["head_id"]]["northing"]) == pytest.approx(row.geometry.y, abs=0.0006)
        assert cells[row["head_id"]]["channel"] == ""


def propose(out, changed, added):
    """A proposed state in which heads of the given zones stand at other heights, and others are added."""
    plan = Workspace(out, CRS.from_epsg(32632))
    heads = plan.read(HEADS)
    rows = []
    for head in heads.itertuples():
        height = changed.get((head.zone_id, head.level, head.role))
        rows.append(
            {
                "head_id": head.head_id,
                "zone_id": head.zone_id,
                "stands_for": head.zone_id,
                "part": 1,
                "role": head.role,
                "level": head.level,
                "head_type": head.head_type,
                "height_m": head.height_m if height is None else height,
                "existing_height_m": head.height_m,
                "ground_m": head.ground_m,
                "change": "stays" if height is None else "set",
                "geometry": head.geometry,
            }
        )
    first = next(row for row in rows if row["zone_id"] == added)
    rows.append(first | {"head_id": "new", "zone_id": f"{added}b", "part": 2, "change": "added"})
    plan.write({PROPOSED_HEADS: frame_of(PROPOSED_HEADS, rows, plan.work_crs)})


def test_heads_stand_as_they_are_proposed(plan):
    site_file, out = plan
    heads = gpd.read_file(out / "plan.gpkg", layer="heads").set_index("head_id")
    zones = sorted(heads["zone_id"].unique())[:4]
    wanted = {(zones[0], "transmitter"): 0.25, (zones[0], "receiver"): 0.28}
    wanted |= {(zones[3], "transmitter"): 0.21, (zones[3], "receiver"): 0.22}
    propose(out, {(zone, "low", role): height for (zone, role), height in wanted.items()}, zones[2])
    outcome = geotools.run_step("stakeout", geotools.open_site(site_file), out)
    rows = gpd.read_file(out / "plan.gpkg", layer="stakeout").set_index("head_id")
    for head, row in rows.iterrows():
        laid_out = heads.loc[head, "height_m"]
        height = wanted.get((row["zone_id"], row["role"]), laid_out) if row["level"] == "low" else laid_out
        assert row["height_m"] == pytest.approx(height)
        assert row["axis_m"] == pytest.approx(row["finished_m"] + height)
        assert row.geometry.z == pytest.approx(row["axis_m"])
    assert any("4 heads" in note for note in outcome.notes)
    # the picture of the posts has the heights of the table, not those laid out
    drawn = "".join(page.extract_text() for page in pypdf.PdfReader(out / "stacks.pdf").pages)
    assert all(f"low {height:.2f} m" in drawn for height in wanted.values()) and "to set up" in drawn
    assert [w for w in outcome.warnings if zones[2] in w and "split" in w]
    geotools.run_step("stakeout", geotools.open_site(site_file), out, overwrite=True, advice=False)
    rows = gpd.read_file(out / "plan.gpkg", layer="stakeout").set_index("head_id")
    assert (rows["height_m"] - heads["height_m"]).abs().max() < 1e-9


def test_finished_ground_takes_in_the_grading(plan):
    site_file, out = plan
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    left, bottom, right, top = heads.total_bounds
    shape = (int(top - bottom) + 4, int(right - left) + 4)
    profile = {"driver": "GTiff", "height": shape[0], "width": shape[1], "count": 1, "dtype": "float32", "nodata": -9}
    profile |= {"crs": "EPSG:32632", "transform": from_origin(left - 2, top + 2, 1, 1)}
    moved = np.full(shape, -9, np.float32)
    moved[: shape[0] // 2] = 0.125
    with rasterio.open(out / "cut_fill.tif", "w", **profile) as raster:
        raster.write(moved, 1)
    outcome = geotools.run_step("stakeout", geotools.open_site(site_file), out)
    posts = heads.loc[heads.geometry.y > (top + bottom) / 2, "post_id"].nunique()
    assert any(f"moves the ground at {posts} posts" in note for note in outcome.notes)
    rows = gpd.read_file(out / "plan.gpkg", layer="stakeout")
    north = rows.geometry.y > (top + bottom) / 2 + 2
    south = rows.geometry.y < (top + bottom) / 2 - 2
    assert north.any() and south.any()
    assert np.allclose(rows.loc[north, "earthwork_m"], 0.125) and np.allclose(rows.loc[south, "earthwork_m"], 0)


def test_a_beam_that_names_no_head_is_made_anew_from_the_heads(plan):
    site_file, out = plan
    beams = gpd.read_file(out / "plan.gpkg", layer="beams")
    lost = beams.loc[0, "rx_head_id"]
    beams.loc[0, "rx_head_id"] = "elsewhere"
    beams.to_file(out / "plan.gpkg", layer="beams", mode="w")
    geotools.run_step("stakeout", geotools.open_site(site_file), out)
    assert lost in set(gpd.read_file(out / "plan.gpkg", layer="stakeout")["head_id"])
    assert lost in set(gpd.read_file(out / "plan.gpkg", layer="beams")["rx_head_id"])
