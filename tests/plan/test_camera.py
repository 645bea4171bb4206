"""Pixel density: worked examples by hand, and the thin lens in another form."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.plan.camera import Sensor, best_class, focal_length_mm, longest_distance_m, pixel_density

FULL_HD = Sensor(width_mm=5.6, height_mm=3.15, width_px=1920, height_px=1080)


def test_twenty_feet_across_full_hd():
    # common worked example: 1920 pixels over a scene 20 ft wide are 96 pixels a foot, 315 a metre
    distance = 20 * 0.3048 * 8.0 / 5.6
    assert pixel_density(FULL_HD, 8.0, distance) == pytest.approx(96 / 0.3048, rel=1e-12)
    assert best_class(96 / 0.3048) == "identify"


@pytest.mark.parametrize("focal", [2.8, 12.0, 50.0])
def test_density_from_the_angle_of_view(focal):
    wide, _ = FULL_HD.field_deg(focal)
    scene = 2 * 70.0 * np.tan(np.radians(wide / 2))
    assert pixel_density(FULL_HD, focal, 70.0) == pytest.approx(1920 / scene, rel=1e-12)


def test_lens_and_distance_undo_each_other():
    # 62.5 px/m at 100 m: a scene 30.72 m wide; 5.6 mm x 100 m / 30.72 m = 18.23 mm
    lens = focal_length_mm(FULL_HD, 62.5, 100.0)
    assert lens == pytest.approx(18.229, abs=1e-3)
    assert longest_distance_m(FULL_HD, lens, 62.5) == pytest.approx(100.0)


def test_field_of_view_of_a_normal_lens():
    # a lens as long as the picture is wide sees 2 atan(1/2) = 53.13 degrees
    assert FULL_HD.field_deg(5.6)[0] == pytest.approx(53.130, abs=1e-3)


@pytest.mark.parametrize(
    ("density", "name"), [(12.4, "none"), (12.5, "monitor"), (62.4999, "observe"), (124, "observe"), (250, "identify")]
)
def test_classes(density, name):
    assert best_class(density) == name


def test_refusals():
    with pytest.raises(NumericInputError, match="sensor"):
        Sensor(0, 1, 1, 1)
    with pytest.raises(NumericInputError, match="distance"):
        pixel_density(FULL_HD, 8.0, 0.0)
