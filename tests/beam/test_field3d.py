"""The field in three dimensions: against the field over a profile, closed forms, its own mesh and its own overlap."""

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, HeadType, solve_beams
from geotools.beam.antenna import waist
from geotools.beam.field3d import Mesh, solve_3d
from geotools.beam.strip import Strip, modulation

X, Y = np.linspace(0.0, 40.0, 81), np.linspace(-2.0, 2.0, 17)
HEADS = [("24 GHz", 0.30, 0.38, "prone"), ("10 GHz", 0.91, 1.15, "crawl")]


def strip_of(shape):
    return Strip(X, Y, shape(X[:, None], Y[None, :]) + 0.0 * X[:, None] * Y)


def found(field, target, chainages):
    rows = [int(np.abs(field.chainage_m - x).argmin()) for x in chainages]
    return np.array([np.abs(field.cut(TARGETS[target], row, Y)) for row in rows])


@pytest.mark.parametrize(("head", "tx", "rx", "target"), HEADS)
@pytest.mark.parametrize(
    "line",
    [
        lambda x, y: 0.02 * x,
        lambda x, y: -0.15 * np.exp(-(((x - 15) / 4) ** 2)),
        lambda x, y: sum(0.02 * np.sin(2 * np.pi * x / w + w) for w in (8.0, 17.0, 31.0)),
    ],
    ids=["grade", "dip", "waves"],
)
def test_ground_that_is_level_across_gives_the_field_over_its_profile(head, tx, rx, target, line):
    strip = strip_of(line)
    beam = strip.beam(HEAD_TYPES[head], tx, rx)
    (profile,) = solve_beams([beam], single=False)
    field = solve_3d(beam, strip)
    assert field.standing_level_db == pytest.approx(profile.standing_level_db, abs=0.05)
    chainages = [5.0, 15.0, 20.0, 33.0]
    expected = modulation([profile], TARGETS[target], strip)[[int(2 * x) for x in chainages]]
    assert np.abs(found(field, target, chainages) - expected).max() < 0.01


@pytest.mark.parametrize("grade", [0.1, 0.33])
@pytest.mark.parametrize(("head", "height"), [("24 GHz", 0.30), ("10 GHz", 0.91)])
def test_a_tilted_mirror_that_is_not_turned_first_is_still_the_image_sum(head, height, grade):
    """The frame stays plumb: all of the cross slope is left to the image. Closed form: h cos(angle) above a mirror."""
    strip = strip_of(lambda x, y: grade * y)
    kind = HEAD_TYPES[head]
    k, w0 = kind.wavenumber, waist(kind.wavenumber, kind.beamwidth_el_deg)
    square = height * np.cos(np.arctan(grade))
    expected = abs(1.0 - np.exp(-((2.0 * square) ** 2) / (2.0 * w0**2 + 2j * X[-1] / k)))
    field = solve_3d(strip.beam(kind, height, height), strip, angle_rad=0.0)
    assert 10 ** (field.standing_level_db / 20) == pytest.approx(expected, abs=0.01)
    size = np.abs(field.overlap())
    assert np.ptp(size) < 0.01 * size.mean()


def test_turning_first_or_not_makes_no_difference_over_relief():
    """A knoll beside the line on a cross slope, in the turned frame and in the plumb one."""
    strip = strip_of(lambda x, y: 0.1 * y + 0.3 * np.exp(-(((x - 20) / 3) ** 2) - ((y - 0.8) / 0.5) ** 2))
    head, height = HEAD_TYPES["24 GHz"], 0.30
    beam = strip.beam(head, height, 0.38)
    turned = solve_3d(beam, strip)
    cosine = np.cos(turned.angle_rad)
    # plumb heads over the same foot: as high above the slope, and aside by what their height makes of it
    plumb = solve_3d(strip.beam(head, height / cosine, 0.38 / cosine), strip, angle_rad=0.0)
    assert plumb.standing_level_db == pytest.approx(turned.standing_level_db, abs=0.15)


@pytest.mark.parametrize(
    "shape",
    [
        lambda x, y: 0.25 * np.exp(-(((x - 20) / 1.5) ** 2) - ((y - 1.0) / 0.5) ** 2),
        lambda x, y: 0.4 * np.exp(-(((y - 0.8) / 0.3) ** 2)) + 0.0 * x,
    ],
    ids=["knoll", "bund"],
)
def test_a_finer_mesh_gives_the_same_answer(shape):
    strip = strip_of(shape)
    beam = strip.beam(HEAD_TYPES["24 GHz"], 0.30, 0.38)
    coarse, fine = (solve_3d(beam, strip, Mesh.of(beam, 40.0, finer=f)) for f in (1.0, 1.5))
    chainages = [6.0, 13.0, 20.0, 30.0]
    assert np.abs(found(coarse, "prone", chainages) - found(fine, "prone", chainages)).max() < 0.03
    for field in (coarse, fine):
        size = np.abs(field.overlap())[4:-4]
        assert np.ptp(size) < 0.01 * size.mean()


def test_what_stands_beside_the_line_is_seen_by_the_beam():
    """A bund of 0.5 m beside the line mirrors, which the profile does not know; on its other side likewise."""
    levels = []
    for side in (1.0, -1.0):
        strip = strip_of(lambda x, y, s=side: 0.5 * np.exp(-(((y - 0.7 * s) / 0.3) ** 2)))
        beam = strip.beam(HEAD_TYPES["24 GHz"], 0.30, 0.38)
        levels.append(solve_3d(beam, strip).standing_level_db)
    (profile,) = solve_beams([beam], single=False)
    assert levels[0] == pytest.approx(levels[1], abs=0.02)
    assert abs(levels[0] - profile.standing_level_db) > 0.3


def test_azimuth_and_elevation_patterns_are_kept_apart():
    unequal = HeadType("unequal", 24.125e9, 3.0, 6.0, 200.0)
    strip = strip_of(lambda x, y: 0.0)
    beam = strip.beam(unequal, 0.50, 0.62)
    (profile,) = solve_beams([beam], single=False)
    field = solve_3d(beam, strip)
    assert field.standing_level_db == pytest.approx(profile.standing_level_db, abs=0.05)
    expected = modulation([profile], TARGETS["crawl"], strip)[[10, 40]]
    assert np.abs(found(field, "crawl", [5.0, 20.0]) - expected).max() < 0.015


def test_heads_of_different_height_are_not_swapped():
    strip = strip_of(lambda x, y: 0.2 * np.exp(-(((x - 8) / 2) ** 2) - ((y - 0.5) / 0.6) ** 2))
    beam = strip.beam(HEAD_TYPES["10 GHz"], 0.60, 1.30)
    there = solve_3d(beam, strip)
    mirrored = Strip(X, Y, strip.ground_m[::-1])
    back = solve_3d(mirrored.beam(HEAD_TYPES["10 GHz"], 1.30, 0.60), mirrored)
    swapped = solve_3d(strip.beam(HEAD_TYPES["10 GHz"], 1.30, 0.60), strip)
    rows = [5.0, 12.0, 31.0]
    ahead = found(there, "crawl", rows)
    assert np.abs(ahead - found(back, "crawl", [40.0 - x for x in rows])).max() < 0.02
    assert np.abs(ahead - found(swapped, "crawl", rows)).max() > 0.1
