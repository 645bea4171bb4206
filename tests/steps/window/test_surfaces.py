"""Windows under grass and snow: what is hidden, what a higher mirror is, the depth at which a window closes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

from geotools.beam.movers import MOVERS
from geotools.detection.mover_places import MoverPlaces
from geotools.detection.perimeter import Perimeter
from geotools.detection.surface_windows import MoversBeside, closing_depth, surface_windows, under_surface
from tests.invented_ground import LOW, MAIN, RULES, Formula, zone

PLACES = MoverPlaces({"": LineString([(-100, -3), (200, -3)])}, {"": True})


@pytest.fixture(scope="module")
def perimeter():
    rules = replace(RULES, targets={"prone": RULES.targets["prone"]})
    row = [zone("Z0", start=-54.0, length=60.0), zone("Z1", length=60.0), zone("Z2", start=54.0, length=60.0)]
    made = Perimeter(row, Formula(lambda x, y: 100.0), rules)
    made.solve_all()
    return made


@pytest.fixture(scope="module")
def rows(perimeter):
    movers = {name: MOVERS[name] for name in ("person outside", "grass in wind", "bird")}
    return surface_windows(perimeter, MoversBeside(movers, PLACES, 8.0), (0.05, 0.2, 0.31))


def test_a_mirror_as_high_is_ground_that_is_higher_with_heads_that_stay(perimeter):
    """Independently: the ground raised, the heads' posts shorter above it, the body out of it by so much less."""
    depth = 0.1
    pairs = [replace(p, tx_height_m=p.tx_height_m - depth, rx_height_m=p.rx_height_m - depth) for p in (LOW, MAIN)]
    row = [zone("Z1", length=60.0, pairs=pairs)]
    body = replace(RULES.targets["prone"], height_m=RULES.targets["prone"].height_m - depth)
    raised = Perimeter(row, Formula(lambda x, y: 100.0 + depth), replace(RULES, targets={"prone": body}))
    there = under_surface(perimeter, depth, "reflects")
    np.testing.assert_allclose(there.own("Z1")["prone"], raised.own("Z1")["prone"], atol=1e-6)


def test_grass_that_only_hides_leaves_the_field_and_takes_the_lower_part_of_the_body(perimeter):
    """Independently: a body that begins where the grass ends, over the ground as it is."""
    upper = replace(RULES.targets["prone"], base_m=0.2, height_m=0.1)
    part = Perimeter([zone("Z1", length=60.0)], perimeter.ground, replace(RULES, targets={"prone": upper}))
    there = under_surface(perimeter, 0.2, "hides")
    np.testing.assert_allclose(there.own("Z1")["prone"], part.own("Z1")["prone"], atol=1e-6)
    assert under_surface(perimeter, 0.31, "hides").own("Z1")["prone"].max() == 0.0


def test_what_is_buried_whole_crosses_and_closes_the_window(rows):
    deep = [row for row in rows if row.depth_m == 0.31 and row.zone_id == "Z1"]
    assert {row.bound for row in deep} == {"hides", "reflects"}
    assert all(row.window.weakest.modulation < 0.05 and not row.keeps for row in deep)
    assert closing_depth(rows, "Z1") <= 0.31


def test_short_grass_keeps_a_window_that_is_open_without_it(rows):
    short = [row for row in rows if row.depth_m == 0.05 and row.zone_id == "Z1"]
    assert all(row.keeps for row in short)
    assert closing_depth([row for row in rows if row.depth_m == 0.05], "Z1") is None


def test_what_may_alarm_now_and_then_is_left_out(rows):
    assert {one.mover.name for row in rows for one in row.window.nuisance} == {"person outside", "grass in wind"}
