"""What lies between measured points is held against nobody, what was measured is, and what was not is said."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS
from scipy.interpolate import LinearNDInterpolator

from geotools.corridor import BeamLine
from geotools.errors import InputError
from geotools.plan.model import Zone
from geotools.steps.asbuilt.acceptance import acceptance_row
from geotools.steps.asbuilt.closeness import between_points, read_points, spacing_of
from geotools.steps.asbuilt.kernel import Measuring, compare
from geotools.steps.asbuilt.levels import LevelCheck
from geotools.terrain.design import DesignSurface
from geotools.terrain.dtm import grid_survey
from geotools.terrain.model import Terrain
from geotools.terrain.points import Stated, Survey
from tests.making import write_raster

UTM = CRS("EPSG:32632")
LEFT, BOTTOM = 500_000.0, 5_400_000.0
#: A dam across the strip, 0.3 m high, 3 m wide at its top, with batters of 1 in 1.
HEIGHT, TOP, BATTER = 0.30, 1.5, 1.0


class Formula:
    """A ground by formula. Heights of x and y, m."""

    cell_m = 0.5

    def __init__(self, level):
        self.level = level

    def sample(self, x_m, y_m):
        return self.level(np.asarray(x_m, float), np.asarray(y_m, float))


def dam(x, y):
    """Fill over level ground at 250 m, m; its middle at 30 m from the left."""
    return np.clip((TOP - np.abs(x - LEFT - 30.0)) / BATTER + HEIGHT, 0.0, HEIGHT)


def works() -> DesignSurface:
    """The dam on a design grid of 0.5 m."""
    surface = DesignSurface(
        Formula(lambda x, y: np.full(np.broadcast(x, y).shape, 250.0)),
        (LEFT, BOTTOM, LEFT + 60, BOTTOM + 20),
        cell_m=0.5,
    )
    row, column = np.indices(surface.change.shape)
    surface.change[row, column] = dam(*surface.centres(row, column))
    return surface


ZONE = Zone("F01-Z001", BeamLine(LEFT + 5, BOTTOM + 10, LEFT + 55, BOTTOM + 10), ())


def measured(seed: int, spacing: float, sigma: float, built) -> np.ndarray:
    """(n, 3) points about so far apart, with noise, on a surface."""
    draw = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(LEFT, LEFT + 60, spacing), np.arange(BOTTOM, BOTTOM + 20, spacing))
    x, y = (v.ravel() + draw.uniform(-0.2, 0.2, v.size) * spacing for v in (x, y))
    return np.c_[x, y, built(x, y) + draw.normal(0.0, sigma, x.size)]


def check(folder, points: np.ndarray, sigma: float, *, given: bool):
    """The comparison of the zone, from a raster that ``geotools terrain`` makes of the points."""
    survey = Survey(UTM, iter([points]), accuracy_m=2 * sigma)
    grid_survey([(folder / "works.csv", survey)], folder / "works.tif", cell_m=0.25, stated=Stated(UTM))
    table = "\n".join(["x,y,z", *(f"{x:.3f},{y:.3f},{z:.3f}" for x, y, z in points)])
    (folder / "works.csv").write_text(table)
    with Terrain(folder / "works.tif", UTM) as terrain:
        of_points = read_points([folder / "works.csv"] if given else [], terrain, UTM, None)
        return LevelCheck(works(), terrain, of_points, 4.0, 0.03, 1.0, 0.0).of(ZONE)


@pytest.fixture
def csv_there(tmp_path):
    (tmp_path / "works.csv").write_text("")  # its digest goes into the raster's metadata
    return tmp_path


def test_on_a_plane_nothing_lies_between_points_however_steep():
    x, y = np.meshgrid(np.arange(0.0, 5, 0.5), np.arange(0.0, 5, 0.5))
    between = between_points(Formula(lambda x, y: 0.4 * x - 0.3 * y), x, y, 0.9)
    assert np.abs(between).max() < 1e-12


def test_over_a_crest_a_survey_lies_lower_by_what_a_straight_line_cuts_off():
    # a roof that falls by 1 in 5 to both sides: a line between two points 0.8 m down either side runs 0.16 m below it
    above, below = between_points(Formula(lambda x, y: -0.2 * np.abs(x)), np.zeros((1, 1)), np.zeros((1, 1)), 0.8)
    assert above.item() == 0.0 and below.item() == pytest.approx(0.16)


@pytest.mark.parametrize("spacing", [0.5, 0.7, 0.9])
@pytest.mark.parametrize("seed", range(3))
def test_a_correct_surface_is_never_failed_for_the_distance_of_its_points(csv_there, seed, spacing):
    points = measured(seed, spacing, 0.01, lambda x, y: 250.0 + works().change_at(x, y))
    # drawn straight from point to point the batter's edges are out of tolerance: there is something to be misread
    x, y = np.meshgrid(np.arange(LEFT + 6, LEFT + 54, 0.5), np.arange(BOTTOM + 6, BOTTOM + 14, 0.5))
    off = LinearNDInterpolator(points[:, :2], points[:, 2])(x, y) - 250.0 - works().change_at(x, y)
    assert spacing < 0.6 or np.abs(off).max() > 0.045
    by_surface = check(csv_there, points.copy(), 0.01, given=False).found
    assert by_surface.areas == []
    by_points = check(csv_there, points.copy(), 0.01, given=True).found
    assert by_points.areas == [] and by_points.open == []
    assert by_points.rms == pytest.approx(0.01, rel=0.15)


@pytest.mark.parametrize("given", [True, False])
def test_an_edge_in_the_wrong_place_is_never_passed_and_fails_at_measured_points(csv_there, given):
    """The whole dam stands 0.5 m too far along: both batters are out by its height."""
    points = measured(1, 0.7, 0.01, lambda x, y: 250.0 + works().change_at(x - 0.5, y))
    levels = check(csv_there, points, 0.01, given=given)
    assert levels.found.areas or levels.found.open
    if given:
        assert {area.worst > 0 for area in levels.found.areas} == {True, False}
        (place,) = levels.places(1.0)
        assert place.startswith("chainage ")


@pytest.mark.parametrize("given", [True, False])
def test_a_dam_too_low_all_over_fails_though_it_is_out_by_little_more_than_the_tolerance(csv_there, given):
    """0.05 m too low over 3 m by 8 m, measured to 0.02 m (95 %): many points make it certain."""
    points = measured(2, 0.7, 0.01, lambda x, y: 250.0 + np.clip(works().change_at(x, y) - 0.05, 0.0, None))
    found = check(csv_there, points, 0.01, given=given).found
    assert [area for area in found.areas if area.worst < 0]


def test_where_no_point_was_measured_the_ground_is_named(csv_there):
    points = measured(3, 0.7, 0.01, lambda x, y: 250.0 + works().change_at(x, y))
    hole = np.hypot(points[:, 0] - LEFT - 30.0, points[:, 1] - BOTTOM - 10.0) < 2.0
    levels = check(csv_there, points[~hole], 0.01, given=True)
    (area,) = levels.found.open
    # a circle of 2 m less what lies within 0.71 m of a point, and a bit more to the nearest points
    assert np.isnan(area.worst) and np.pi * 1.29**2 <= area.area <= np.pi * 1.8**2
    row = acceptance_row(ZONE, levels.found, (0.0, 0.0), 2.0, True, levels.places(1.0))
    assert row["result"] == "not measured" and row["levels_ok"] is None
    assert "measure the ground without a level about chainage 25." in row["reason"]
    # what the model fails is failed, measured closely or not
    assert acceptance_row(ZONE, levels.found, (0.0, 2.0), 2.0, True, levels.places(1.0))["result"] == "fail"


@pytest.mark.parametrize(("accuracy", "out"), [(0.03, True), (0.05, False)])
def test_an_area_is_out_where_the_uncertainty_of_its_mean_does_not_reach_the_tolerance(accuracy, out):
    # four points of 1 m2 at +0.05 m: 0.02 m past a tolerance of 0.03 m; half the accuracy of one point is 0.015, 0.025
    survey = np.zeros((6, 6))
    survey[2:4, 2:4] = 0.05
    found = compare(
        np.zeros((6, 6)), survey, 1.0, tolerance=0.03, least_area=1.0, measuring=Measuring(accuracy_m=accuracy)
    )
    assert (len(found.areas), len(found.open)) == ((1, 0) if out else (0, 1))


def test_ground_that_was_not_worked_is_held_to_what_the_first_survey_knew_of_it(tmp_path):
    x, y = np.meshgrid(LEFT + (np.arange(120) + 0.5) * 0.5, BOTTOM + 20 - (np.arange(40) + 0.5) * 0.5)
    built = 250.0 + works().change_at(x, y) + np.where(np.abs(x - LEFT - 30) > 6, 0.06, 0.0)
    path = write_raster(tmp_path / "works.tif", built.astype(np.float32), cell=0.5, top=BOTTOM + 20)
    with Terrain(path, UTM) as terrain:
        first = [LevelCheck(works(), terrain, None, 4.0, 0.03, 1.0, ground).of(ZONE).found for ground in (0.0, 0.10)]
    assert first[0].areas and not first[1].areas


def test_points_of_another_survey_are_refused(tmp_path):
    path = write_raster(tmp_path / "works.tif", np.full((80, 240), 250.0, np.float32), cell=0.25, top=BOTTOM + 20)
    (tmp_path / "feet.csv").write_text("x,y,z\n500010,5400010,820.2\n500011,5400010,820.2\n")
    (tmp_path / "away.csv").write_text("x,y,z\n600010,5400010,250.0\n")
    with Terrain(path, UTM) as terrain:
        assert spacing_of(terrain, 0.5) == 0.0 and spacing_of(terrain, 0.1) == 0.25
        with pytest.raises(InputError, match="are not those of the survey") as caught:
            read_points([tmp_path / "feet.csv"], terrain, UTM, None)
        assert "570.20 m or more off" in str(caught.value)
        with pytest.raises(InputError, match="none of them lies on the surface"):
            read_points([tmp_path / "away.csv"], terrain, UTM, None)
        told = read_points([tmp_path / "feet.csv"], terrain, UTM, "foot")
        assert told is not None and told.z == pytest.approx(820.2 * 0.3048)
