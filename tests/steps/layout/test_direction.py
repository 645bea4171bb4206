"""The layout does not hang on how the fence was drawn: backwards, from another vertex, from the middle of a side."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
import shapely.geometry
from shapely import LineString

import geotools
from geotools.errors import InfeasibleError
from geotools.steps.layout.direction import in_one_way
from geotools.steps.layout.kernel import PostedSpan
from geotools.steps.layout.usable import courses
from tests.making import write_fence

RING = [(30.0, 20.0), (150.0, 15.0), (190.0, 80.0), (120.0, 130.0), (25.0, 100.0)]
OPEN = LineString([(0.0, 0.0), (80.0, 10.0), (160.0, -5.0)])


def ring(points):
    return LineString([*points, points[0]])


def course(line, side):
    (found,) = courses({"F01": line}, side=side, setback_m=4.0, clear_m=10.0)
    return found


@pytest.mark.parametrize(
    "drawn",
    [RING, RING[::-1], RING[3:] + RING[:3], [(90.0, 17.5), *RING[1:], RING[0]], [(90.0, 17.5), RING[0], *RING[:0:-1]]],
    ids=["as it is", "backwards", "from another corner", "from a side's middle", "from there backwards"],
)
def test_a_ring_is_told_in_one_way(drawn):
    told, _ = in_one_way(course(ring(drawn), "inside"))
    expected, _ = in_one_way(course(ring(RING), "inside"))
    assert shapely.equals_exact(told.line, expected.line, 1e-6)
    assert told.inward == expected.inward == 1.0


def test_an_open_line_is_told_in_one_way():
    there, _ = in_one_way(course(OPEN, "left"))
    back, _ = in_one_way(course(OPEN.reverse(), "right"))
    assert shapely.equals_exact(there.line, back.line, 1e-6)
    assert there.inward == back.inward


@pytest.mark.parametrize("line", [OPEN, OPEN.reverse(), ring(RING), ring(RING[::-1]), ring(RING[2:] + RING[:2])])
def test_places_along_the_line_stay_where_they_are(line):
    """Gates go one way and zones come back: the same places on the map."""
    given = course(line, "inside" if line.is_closed else "left")
    told, drawn = in_one_way(given)
    at = np.array([3.0, 17.0, 60.0, given.line.length - 5.0])
    there = shapely.line_interpolate_point(told.line, drawn.chainage(at))
    assert shapely.distance(there, shapely.line_interpolate_point(given.line, at)) == pytest.approx(0.0, abs=1e-6)
    (stretch,) = drawn.stretches([(20.0, 32.0)])
    assert (stretch[1] - stretch[0]) % given.line.length == pytest.approx(12.0)
    places = np.array([told.line.interpolate(c).coords[0] for c in (10.0, 50.0)])
    posted = PostedSpan(
        *places, np.array([10.0, 50.0]), True, np.array([1.0, 2.0]), np.array([3.0, 4.0]), earthwork_m3=5.0, dead_m=6.0
    )
    (zone,) = drawn.zones([posted])
    for end, chainage in zip((zone.start, zone.end), zone.chainage, strict=True):
        assert given.line.interpolate(chainage).distance(shapely.Point(end)) == pytest.approx(0.0, abs=1e-6)
    assert (zone.chainage[1] - zone.chainage[0]) % given.line.length == pytest.approx(40.0)
    sender = zone.start if zone.starts_with_tx else zone.end
    assert sender == pytest.approx(places[0])
    assert sorted(zone.room) == [1.0, 2.0]
    assert zone.room[0 if zone.starts_with_tx else 1] == 1.0


def test_zones_are_numbered_the_way_the_fence_was_drawn(make_site, tmp_path):
    """Two drawings of one fence: the same posts, numbered along each."""
    rise = 250.0 + 0.4 * np.sin(np.arange(100) / 5.0)[None, :] + 0.0 * np.arange(100)[:, None]
    told = {}
    for name, points in (("there", ((5.0, 50.0), (95.0, 54.0))), ("back", ((95.0, 54.0), (5.0, 50.0)))):
        side = "left" if name == "there" else "right"
        site = make_site(
            heights=rise.astype(np.float32),
            points=points,
            toml=f'[layout]\nside = "{side}"\nsetback_m = 4.0\nmax_zone_m = 50.0\n',
        )
        for step in ("inspect", "layout"):
            geotools.run_step(step, geotools.open_site(site), tmp_path / name, overwrite=True)
        zones = gpd.read_file(tmp_path / name / "plan.gpkg", layer="zones").sort_values("number")
        told[name] = [zone.centroid for zone in zones.geometry]
    assert len(told["there"]) > 1
    assert shapely.distance(told["there"], told["back"][::-1]) == pytest.approx(0.0, abs=1e-6)
    assert told["there"][0].x < told["there"][-1].x


def test_where_nothing_fits_the_message_tells_the_place_as_it_was_drawn(make_site, tmp_path):
    """A building over the whole corridor, 21 to 25 m from the east end of a fence."""
    built = shapely.affinity.translate(shapely.box(70.0, 20.0, 74.0, 80.0), 500_000.0, 5_400_000.0)
    write_fence(tmp_path / "built.geojson", [shapely.geometry.mapping(built)])
    for points, side, low, high in (
        (((95.0, 50.0), (5.0, 50.0)), "right", 15.0, 30.0),
        (((5.0, 50.0), (95.0, 50.0)), "left", 60.0, 75.0),
    ):
        site = make_site(
            points=points,
            inputs='vertical_accuracy_m = 0.05\nkeep_outs = "built.geojson"\n',
            toml=f'[layout]\nside = "{side}"\nsetback_m = 4.0\nmax_zone_m = 30.0\n',
        )
        with pytest.raises(InfeasibleError) as problem:
            for step in ("inspect", "layout"):
                geotools.run_step(step, geotools.open_site(site), tmp_path / side, overwrite=True)
        start, end = (float(m) for m in re.search(r"chainage ([\d.]+) to ([\d.]+) m", str(problem.value)).groups())
        assert low <= start < end <= high
