"""Cameras: line of sight against sampling every ray, aim and near ground by hand trigonometry."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.plan.camera import Sensor
from geotools.steps.cameras.kernel import CameraView, aim_along, choose_lens, covered, ground_view, visible

SENSOR = Sensor(5.6, 3.15, 1920, 1080)


@pytest.mark.parametrize("seed", range(6))
def test_line_of_sight_against_every_ray(seed):
    rng = np.random.default_rng(seed)
    d = np.arange(1.0, 81.0)
    z = np.cumsum(rng.normal(0, 0.35, d.size))
    eye, target = z[0] + 3.0, 0.3
    expected = [all(eye + (z[k] + target - eye) * d[j] / d[k] >= z[j] - 1e-12 for j in range(k)) for k in range(d.size)]
    found = visible(d, z, eye, target_m=target)
    assert found.tolist() == expected
    assert 0 < found.sum() < d.size


def test_aim_over_level_ground():
    # camera 5 m up, far end at 100 m, person 1.8 m: top edge falls 3.2 in 100; 25 mm lens sees 2 atan(3.15/50) upright
    aim = aim_along((0, 0, 0), (100, 0, 0), SENSOR, 25.0, height_m=5.0)
    top = np.arctan(-3.2 / 100)
    bottom = top - 2 * np.arctan(3.15 / 50)
    assert aim.azimuth_deg == pytest.approx(90)
    assert aim.tilt_deg == pytest.approx(np.degrees((top + bottom) / 2))
    assert aim.near_m == pytest.approx(5 / np.tan(-bottom))
    assert aim.slant_m == pytest.approx(np.hypot(100, 4.1))


def test_near_ground_on_a_slope():
    level = aim_along((0, 0, 0), (100, 0, 0), SENSOR, 25.0, height_m=5.0)
    uphill = aim_along((0, 0, 0), (100, 0, 10), SENSOR, 25.0, height_m=5.0)
    # the same picture turned by the slope: the near distance hardly changes
    assert uphill.near_m == pytest.approx(level.near_m, rel=0.03)


def test_lens_choice():
    needed, lens = choose_lens(SENSOR, 62.5, 100.0, [4.0, 12.0, 25.0, 50.0])
    assert needed == pytest.approx(18.23, abs=0.01)
    assert lens == 25.0
    needed, lens = choose_lens(SENSOR, 250.0, 100.0, [4.0, 12.0, 25.0, 50.0])
    assert (lens < needed, lens) == (True, 50.0)


def test_a_ridge_hides_what_is_behind_it():
    def ground(x, y):
        return np.where(np.abs(x - 40) < 1.0, 4.0, 0.0)

    s, seen, sight, density = covered(
        [(0, 0), (100, 0)],
        CameraView((-30, 0, 5.0), azimuth_deg=90, tilt_deg=-4.0, sensor=SENSOR, focal_mm=25.0),
        density=25.0,
        ground=ground,
        target_m=1.8,
    )
    # nearest in the picture at half a person's height: 4.1 m below the eye, 7.6 degrees down, so 30.7 m out
    # on the ridge it is 0.1 m below the eye, above the picture's top at 4 - 3.6 degrees down
    assert seen.tolist() == ((s > 0.7) & (s != 40)).tolist()
    # over the ridge's edge at 69 to 71 m, 4 m high, the line falls 1 m in 71 at most: at the end it is 3.2 m up
    assert not sight[s > 41.5].any()
    assert sight[s < 38.5].all()
    assert density[-1] == pytest.approx(1920 * 25 / 5.6 / np.hypot(130, 4.1), rel=1e-3)


def test_view_is_a_trapezoid():
    aim = aim_along((0, 0, 0), (0, 100, 0), SENSOR, 25.0, height_m=5.0)
    view = ground_view((0, 0), aim, 10.0)
    width = 2 * np.tan(np.radians(5.0))
    assert view.area == pytest.approx(width * (100**2 - aim.near_m**2) / 2)
    assert view.bounds[3] == pytest.approx(100)


def test_refusals():
    with pytest.raises(NumericInputError, match="rise"):
        visible([2, 1], [0, 0], 3, target_m=1)
    with pytest.raises(NumericInputError, match="far end"):
        aim_along((0, 0, 0), (0, 0, 0), SENSOR, 8, height_m=4)
