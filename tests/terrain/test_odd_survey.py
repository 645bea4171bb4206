"""What a survey holds that is hardly ground; red where noise, plants, steps or a place that cannot be go unnamed."""

import numpy as np
import pytest
from pyproj import CRS

from geotools.io.area import outside_area
from geotools.terrain.dtm import grid_survey
from geotools.terrain.flight_lines import FlightLines, step_words
from geotools.terrain.lidar import read_lidar
from geotools.terrain.odd_points import odd_point_words, odd_points
from geotools.terrain.oddities import oddities
from geotools.terrain.points import Survey

laspy = pytest.importorskip("laspy")

UTM = CRS("EPSG:32632")
LEFT, BOTTOM = 500_000.0, 5_600_000.0


def ground(seed=0, count=6000, slope=0.0):
    """Points of a waved slope as a scanner leaves them, from south to north."""
    rng = np.random.default_rng(seed)
    x, y = LEFT + rng.uniform(0, 80, count), BOTTOM + rng.uniform(0, 50, count)
    z = 100.0 + 0.3 * np.sin((x - LEFT) / 8.0) + slope * (x - LEFT) + rng.normal(0.0, 0.02, count)
    points = np.column_stack([x, y, z])
    return points[np.argsort(points[:, 1])]


@pytest.mark.parametrize("slope", [0.0, 0.3, 0.8])
@pytest.mark.parametrize("unit", [1.0, 0.3048])
def test_clean_ground_is_not_accused(slope, unit):
    points = ground(slope=slope) / [unit, unit, 1.0]
    assert odd_points(points, unit) == []


@pytest.mark.parametrize("unit", [1.0, 0.3048])
def test_single_points_far_off_are_named_with_their_place(unit):
    points = ground() / [unit, unit, 1.0]
    points[[300, 3000], 2] -= [1.2, 6.0]
    points[2000, 2] += 25.0
    low, high = odd_points(points, unit)
    assert (low.kind, low.count, high.kind, high.count) == ("low", 2, "high", 1)
    assert (low.x, low.y) == pytest.approx(tuple(points[3000, :2])) and low.off_m == pytest.approx(6.0, abs=0.4)
    assert (high.x, high.y) == pytest.approx(tuple(points[2000, :2])) and high.off_m == pytest.approx(25.0, abs=0.4)
    words = odd_point_words([low, high])
    assert f"x {points[3000, 0]:.1f}, y {points[3000, 1]:.1f} by" in words[0] and "low noise" in words[0]


def test_plants_among_the_ground_are_named_where_they_stand():
    points = ground()
    there = np.hypot(points[:, 0] - LEFT - 50.0, points[:, 1] - BOTTOM - 25.0) < 6.0
    points[there, 2] += np.random.default_rng(1).uniform(0.0, 4.0, there.sum())
    rough = {one.kind: one for one in odd_points(points)}["rough"]
    assert np.hypot(rough.x - LEFT - 50.0, rough.y - BOTTOM - 25.0) < 7.0
    assert rough.count == pytest.approx(there.sum(), rel=0.4)


def test_bands_of_points_find_what_the_whole_does(monkeypatch):
    points = ground()
    points[[300, 3000], 2] -= 2.0
    whole = odd_points(points)
    monkeypatch.setattr("geotools.terrain.odd_points._BAND", 500)
    monkeypatch.setattr("geotools.terrain.odd_points._HALO", 400)
    assert odd_points(points) == whole


def test_a_step_between_flight_lines_is_measured_where_they_overlap():
    points = ground(slope=0.1)
    rng = np.random.default_rng(2)
    x = points[:, 0] - LEFT
    line = np.where(x < 25, 7, np.where(x > 55, 9, rng.choice([7, 9], len(x))))
    for step in (0.12, -0.12, 0.0):
        lines = FlightLines()
        lifted = points + np.column_stack([0 * x, 0 * x, step * (line == 9)])
        for part in np.array_split(np.arange(len(x)), 5):
            lines.add(lifted[part], line[part])
        (found,) = lines.steps()
        assert (found.first, found.second) == (7, 9)
        assert found.step == pytest.approx(step, abs=4.0 * found.doubt + 1e-9) and found.doubt < 0.02
        assert 25 - 3 <= found.x - LEFT <= 55 + 3
        said = step_words("a.laz", [found], 1.0)
        assert len(said) == (step != 0.0)
        if said:
            assert f"0.1{'2' if abs(found.step) >= 0.115 else '1'} m {'above' if step > 0 else 'below'}" in said[0]


def test_terrain_names_noise_steps_and_classes_of_a_lidar_file(tmp_path):
    points = ground()
    points[3000, 2] -= 6.0
    x = points[:, 0] - LEFT
    line = np.where(x < 25, 1, np.where(x > 55, 2, np.arange(len(x)) % 2 + 1))
    points[line == 2, 2] += 0.15
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [LEFT, BOTTOM, 0.0], [0.001] * 3
    header.add_crs(UTM)
    las = laspy.LasData(header)
    las.x, las.y, las.z = points.T
    las.classification = np.full(len(x), 1, np.uint8)
    las.point_source_id = line.astype(np.uint16)
    las.write(tmp_path / "flight.las")
    read = read_lidar(tmp_path / "flight.las", (1,))
    made = grid_survey([(tmp_path / "flight.las", read)], tmp_path / "dtm.tif", cell_m=0.5)
    said = " ".join(made.warnings)
    assert f"x {points[3000, 0]:.1f}, y {points[3000, 1]:.1f}" in said and "low noise" in said
    assert "flight line 2 lies 0.15 m above flight line 1" in said
    assert "classes 1 are taken for ground" in said


def test_shortened_coordinates_are_said_to_lie_elsewhere(tmp_path):
    (tmp_path / "a.csv").touch()
    points = ground(count=400) - [LEFT - 60.0, BOTTOM - 60.0, 0.0]
    made = grid_survey([(tmp_path / "a.csv", Survey(UTM, iter([points])))], tmp_path / "dtm.tif", cell_m=1.0)
    assert any("outside the area that the system is made for" in text for text in made.warnings)
    right = grid_survey([(tmp_path / "a.csv", Survey(UTM, iter([ground(count=400)])))], tmp_path / "b.tif", cell_m=1.0)
    assert not any("outside the area" in text for text in right.warnings)


@pytest.mark.parametrize(
    ("system", "x", "y", "inside"),
    [
        (32632, 500_000, 5_600_000, True),
        (32632, 60, 60, False),
        (32632, 275_000, 5_600_000, True),  # a site of the next zone that keeps to one system: 5.8 degrees east
        (32632, 5_600_000, 500_000, False),  # easting and northing changed over
        (2193, 1_750_000, 5_430_000, True),  # New Zealand, whose area reaches over the date line
        (2193, 500_000, 500_000, False),
    ],
)
def test_places_are_held_against_the_area_of_their_system(system, x, y, inside):
    assert (outside_area(CRS.from_epsg(system), x, y) is None) == inside


def test_a_system_read_from_a_file_has_the_area_of_its_registry():
    assert outside_area(CRS.from_wkt(CRS.from_epsg(32632).to_wkt()), 60.0, 60.0) is not None


def test_a_system_of_ones_own_has_no_area():
    own = CRS("+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")
    assert outside_area(own, 60.0, 60.0) is None


def test_a_cone_of_low_noise_in_a_fine_raster_is_a_hole(tmp_path):
    from affine import Affine

    rows, columns = np.mgrid[0:120, 0:120]
    z = 100.0 - np.maximum(3.0 - 3.0 * np.hypot(rows - 60, columns - 60) * 0.25 / 1.2, 0.0)
    found = oddities(z, Affine(0.25, 0, 0, 0, -0.25, 30))
    assert [one.kind for one in found] == ["low"] and found[0].height_m == pytest.approx(3.0, abs=0.1)
    # a hollow with sides of 1 in 2 is ground
    hollow = 100.0 - np.maximum(1.5 - 0.5 * np.hypot(rows - 60, columns - 60) * 0.25, 0.0)
    assert oddities(hollow, Affine(0.25, 0, 0, 0, -0.25, 30)) == []
