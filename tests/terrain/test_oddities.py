"""Heights that are hardly ground are named with their place; ditches, banks and slopes are not."""

from types import SimpleNamespace

import numpy as np
import pytest
from affine import Affine
from shapely import LineString

from geotools.terrain.oddities import odd_along, odd_words, oddities

CELL = 0.5
PLACED = Affine(CELL, 0, 1000.0, 0, -CELL, 2000.0)


def ground(slope=0.0, size=120):
    rng = np.random.default_rng(4)
    row, column = np.indices((size, size)) * CELL
    return 250.0 + slope * column + 0.02 * np.sin(row) + rng.normal(0.0, 0.02, (size, size))


def kinds(z):
    return sorted(one.kind for one in oddities(z, PLACED))


@pytest.mark.parametrize("slope", [0.0, 0.1, 0.33])
def test_ground_with_a_ditch_a_bank_and_a_swale_is_ground(slope):
    z = ground(slope)
    z[40, :] -= 0.9  # a ditch of one cell's width, with walls
    z[:40, 70:73] -= 0.6  # another that runs into it
    z[80:90] += 1.2  # a bank
    z[20:30] -= 0.35
    assert kinds(z) == []


@pytest.mark.parametrize("slope", [0.0, 0.33])
@pytest.mark.parametrize(
    ("kind", "place", "change"),
    [
        ("zero", (slice(50, 51), slice(60, 61)), lambda z: 0.0),
        ("impossible", (slice(50, 52), slice(60, 61)), lambda z: -9999.0),
        ("low", (slice(50, 51), slice(60, 61)), lambda z: z - 1.4),
        ("low", (slice(50, 52), slice(60, 62)), lambda z: z - 0.9),
        ("high", (slice(50, 58), slice(60, 72)), lambda z: z + 3.0),
    ],
)
def test_what_is_no_ground_is_found_where_it_lies(kind, place, change, slope):
    z = ground(slope)
    z[place] = change(z[place])
    (found,) = oddities(z, PLACED)
    assert found.kind == kind
    assert 1000.0 + 60 * CELL <= found.x_m <= 1000.0 + 72 * CELL
    assert 2000.0 - 58 * CELL <= found.y_m <= 2000.0 - 50 * CELL


def test_a_height_of_nothing_near_the_datum_is_a_height():
    z = ground() - 250.0
    z[30, 30] = 0.0
    assert kinds(z) == []


def test_only_cells_that_are_asked_for_count():
    z = ground()
    z[50, 60] = 0.0
    asked = np.ones(z.shape, bool)
    asked[45:55, 55:65] = False
    assert oddities(z, PLACED, asked) == []


def test_a_sentence_for_each_kind_names_the_worst_place():
    z = ground()
    z[50, 60], z[20, 20] = z[50, 60] - 2.0, z[20, 20] - 0.8
    (said,) = odd_words(oddities(z, PLACED), "F01")
    assert said.startswith("F01: at x 1030.2, y 1974.8 m a hole of") and "and 1 more" in said


def test_places_without_data_beside_a_line_are_named_like_those_under_it():
    z = ground()
    z[50:54, 60:64] = np.nan

    class Held:
        bounds_m = (1000.0, 2000.0 - z.shape[0] * CELL, 1000.0 + z.shape[1] * CELL, 2000.0)

        def grid(self, bounds):
            return SimpleNamespace(height_m=z, transform=PLACED)

    x, y = 1000.0 + 62 * CELL, 2000.0 - 52 * CELL
    beside = LineString([(x - 20.0, y - 3.0), (x + 20.0, y - 3.0)])
    (found,) = odd_along(Held(), beside, 5.0)
    assert found.kind == "no_data" and (found.x_m, found.y_m) == pytest.approx((x, y))
    assert found.height_m == pytest.approx(16 * CELL**2)
    assert "no data over" in odd_words([found], "F01")[0]
    assert odd_along(Held(), beside, 1.0) == []
    # places are said as the map counts them
    assert f"x {x / 0.3048:.1f}, y {y / 0.3048:.1f} in map units" in odd_words([found], "F01", 0.3048)[0]
