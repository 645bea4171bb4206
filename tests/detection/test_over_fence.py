"""Threats that cross a fence cross it at its own height, and whoever does not know the height is asked."""

from __future__ import annotations

import geopandas as gpd
import pytest
from shapely import LineString

import geotools
from geotools.beam import TARGETS
from geotools.corridor import BeamLine
from geotools.detection.from_plan import crossing_heights, definition_of, head_type_of, height_limits, rules_of
from geotools.detection.level_ground import LEVEL, level_pair
from geotools.detection.perimeter import Perimeter
from geotools.errors import InputError, SiteError
from geotools.plan.model import Zone
from geotools.site import Site

INPUT = {"fence": "fence.gpkg", "terrain": "dtm.tif"}


def site_of(**settings):
    return Site(name="yard", input=INPUT, **settings)


def fences(*heights, apart=6.0):
    rows = [
        {"fence_id": f"F{n:02d}", "height_m": h, "geometry": LineString([(0, apart * n), (200, apart * n)])}
        for n, h in enumerate(heights, start=1)
    ]
    return gpd.GeoDataFrame(rows, crs="EPSG:32632")


def zone_at(site, fence_id, top_m, number=1):
    types = [("main", 0.91), ("top", top_m)]
    pairs = tuple(level_pair(level, head_type_of(site, "10 GHz"), height) for level, height in types)
    return Zone(f"{fence_id}-Z00{number}", BeamLine(0.0, 50.0 * number, 100.0, 50.0 * number), pairs, fence_id, number)


def dead_m(site, frame, *zones):
    perimeter = Perimeter(zones, LEVEL, rules_of(site, frame))
    return [perimeter.dead(zone.zone_id)["bridge"][10:-10].sum() * 0.5 for zone in zones]


def test_a_bridge_over_a_high_fence_passes_at_its_height():
    site, frame = site_of(threats=("bridge",), fence_height_m=4.5), fences(None, None)
    target = rules_of(site, frame).of_fence("F01").targets["bridge"]
    assert (target.base_m, target.top_m) == (4.5, 5.0)
    # heads at the fence's top detect it along the whole zone; heads lowered under the way detect nothing of it
    assert dead_m(site, frame, zone_at(site, "F01", 4.5)) == [0.0]
    assert dead_m(site, frame, zone_at(site, "F01", 2.58))[0] > 75.0


def test_every_fence_line_is_crossed_at_its_own_height():
    site, frame = site_of(threats=("walk", "bridge"), fence_height_m=2.4), fences(None, 4.5)
    assert crossing_heights(site, frame) == {"F01": 2.4, "F02": 4.5}
    low, high = zone_at(site, "F01", 2.4), zone_at(site, "F02", 4.5, 2)
    assert dead_m(site, frame, low, high) == [0.0, 0.0]
    swapped = zone_at(site, "F01", 4.5), zone_at(site, "F02", 2.4, 2)
    assert min(dead_m(site, frame, *swapped)) > 75.0
    assert height_limits(site, frame)["top"] == (1.2, pytest.approx(4.65))


def test_midway_of_two_fences_a_bridge_is_half_as_high_as_both_together():
    site = site_of(threats=("bridge",), layout={"side": "between"})
    assert crossing_heights(site, fences(4.5, 2.5)) == {"F01": 3.5, "F02": 3.5}


@pytest.mark.parametrize("threat", ["bridge", "assisted jump"])
def test_an_unknown_height_is_asked_for(threat):
    with pytest.raises(SiteError, match=rf"(?s)F01.*{threat}.*set fence_height_m"):
        rules_of(site_of(threats=("walk", threat)), fences(None))


def test_nobody_is_asked_who_names_no_such_threat():
    rules = rules_of(site_of(threats=("walk", "standing jump", "run-up jump")), fences(None))
    assert {name: target.base_m for name, target in rules.targets.items()} == {
        "walk": 0.0,
        "standing jump": 0.5,
        "run-up jump": 0.9,
    }


def jump_dead(jump, *heights_m):
    """Stations of level ground between the dead spots at the ends that somebody jumps over undetected."""
    site = site_of(threats=(jump,))
    pairs = tuple(level_pair(f"at {h}", head_type_of(site, "10 GHz"), h) for h in heights_m)
    zone = Zone("F01-Z001", BeamLine(0.0, 0.0, 100.0, 0.0), pairs, "F01", 1)
    return Perimeter([zone], LEVEL, rules_of(site, fences(None))).dead("F01-Z001")[jump][20:-20]


def test_the_main_head_detects_a_standing_jump_and_a_run_up_jump_takes_a_second_head():
    assert not jump_dead("standing jump", 0.91).any()
    assert jump_dead("run-up jump", 0.91).any()
    assert not jump_dead("run-up jump", 0.91, 1.5).any()


def test_a_definition_names_size_and_way():
    site = site_of(threats=("bridge",), fence_height_m=3.0)
    target = rules_of(site, fences(None)).targets["bridge"]
    said = definition_of(target, over_fence=True)
    assert said == "bridge: 0.50 m high, 0.50 m wide, underside 3.00 m up, the fence's height"
    assert definition_of(TARGETS["prone"], over_fence=False) == "prone: 0.30 m high, 0.50 m wide, on the ground"


def test_inspect_asks_and_the_plan_keeps_the_heights(make_site, tmp_path):
    site_file = make_site(threats='["walk", "bridge"]')
    with pytest.raises(SiteError, match="how high the fence is"):
        geotools.run_step("inspect", geotools.open_site(site_file), tmp_path / "out")
    fence = gpd.read_file(tmp_path / "fence.geojson")
    fence.assign(height_m=3.2).to_file(tmp_path / "fence.geojson", driver="GeoJSON")
    geotools.run_step("inspect", geotools.open_site(site_file), tmp_path / "out")
    geotools.run_step("layout", geotools.open_site(site_file), tmp_path / "out")
    heads = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="heads")
    assert set(heads[heads.level == "top"].height_m) == {3.2}
    assert gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="fence").height_m.tolist() == [3.2]


def test_a_height_that_cannot_be_is_refused(make_site, tmp_path):
    site_file = make_site()
    fence = gpd.read_file(tmp_path / "fence.geojson")
    fence.assign(height_m=45.0).to_file(tmp_path / "fence.geojson", driver="GeoJSON")
    with pytest.raises(InputError, match=r"feature 1, field height_m"):
        geotools.run_step("inspect", geotools.open_site(site_file), tmp_path / "out")
