"""The set-up sheet of the demonstration site, read by other readers."""

import csv
import math

import fiona
import geopandas as gpd
import pytest
from pyproj import Geod

import geotools
from geotools.errors import InputError


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


def test_turned_heads_have_their_radome_refitted(sheet):
    rows = gpd.read_file(sheet / "plan.gpkg", layer="stakeout")
    for _, row in rows.iterrows():
        assert row["turned"] == (row["polarisation"] == "horizontal")
        assert ("turned 90 degrees" in row["radome"]) == row["turned"]
        assert "hood up" in row["radome"] and "drip holes down" in row["radome"]


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


def test_a_head_without_partner_is_named(plan):
    site_file, out = plan
    beams = gpd.read_file(out / "plan.gpkg", layer="beams")
    lost = beams.loc[0, "rx_head_id"]
    beams.loc[0, "rx_head_id"] = "elsewhere"
    beams.to_file(out / "plan.gpkg", layer="beams", mode="w")
    with pytest.raises(InputError, match="faces none"):
        geotools.run_step("stakeout", geotools.open_site(site_file), out)
    assert lost
    assert not (out / "stakeout.csv").exists()
