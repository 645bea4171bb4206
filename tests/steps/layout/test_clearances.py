"""Gates with width and swing, posts as an aid to climbing, the width of a passage behind a building."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, box

import geotools
from geotools.errors import InputError
from geotools.site.gates import gates_of
from geotools.steps.layout.climbing import climbing_distance_m
from geotools.steps.layout.passages import past_objects
from geotools.steps.layout.width import free_width
from tests.making import line, write_fence

RING = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))


def put_gate(path, geometry, **fields):
    """A gate with fields."""
    write_fence(path, [geometry])
    data = json.loads(path.read_text())
    data["features"][0]["properties"] |= fields
    path.write_text(json.dumps(data))


def lay_out(site_file, out):
    site = geotools.open_site(site_file)
    geotools.run_step("inspect", site, out)
    geotools.run_step("layout", site, out)
    return [gpd.read_file(out / "plan.gpkg", layer=name) for name in ("heads", "conflicts", "widths")]


def gates(make_site, tmp_path, geometry, **fields):
    put_gate(tmp_path / "gates.geojson", geometry, **fields)
    site = geotools.open_site(make_site(points=RING, inputs='gates = "gates.geojson"\n'))
    return gates_of(site, "EPSG:32632", [LineString(line(RING)["coordinates"])])


def test_a_gate_drawn_as_a_point_takes_its_width_along_the_fence(make_site, tmp_path):
    at = {"type": "Point", "coordinates": [500_048.0, 5_400_015.4]}
    (gate,) = gates(make_site, tmp_path, at, width_m=6.0, name="Main")
    assert gate.words == "gate 'Main'"
    assert shapely.get_coordinates(gate.opening).tolist() == [[500_045.0, 5_400_015.0], [500_051.0, 5_400_015.0]]


def test_a_gate_over_the_corner_where_the_fence_begins(make_site, tmp_path):
    at = {"type": "Point", "coordinates": [500_015.0, 5_400_016.0]}
    (gate,) = gates(make_site, tmp_path, at, width_m=6.0)
    assert gate.opening.length == pytest.approx(6.0)
    assert gate.opening.distance(shapely.Point(500_015.0, 5_400_015.0)) == pytest.approx(0.0)


def test_a_leaf_sweeps_the_side_it_opens_to(make_site, tmp_path):
    opening = line([(45, 15), (51, 15)])
    (gate,) = gates(make_site, tmp_path, opening, swing_m=4.0, swing_side="inside")
    assert gate.swept.bounds == pytest.approx((500_045.0, 5_400_015.0, 500_051.0, 5_400_019.0))
    (gate,) = gates(make_site, tmp_path, opening, swing_m=4.0, swing_side="outside")
    assert gate.swept.bounds == pytest.approx((500_045.0, 5_400_011.0, 500_051.0, 5_400_015.0))


@pytest.mark.parametrize(
    ("geometry", "fields", "words"),
    [
        ({"type": "Point", "coordinates": [500_048.0, 5_400_015.0]}, {}, "has no width"),
        (line([(45, 15), (51, 15)]), {"swing_m": "wide"}, "measure is invalid"),
        (line([(45, 15), (51, 15)]), {"width_m": -2.0}, "measure is invalid"),
        (line([(45, 15), (51, 15)]), {"swing_m": 3.0, "swing_side": "up"}, "unknown side"),
    ],
)
def test_gates_that_are_not_fully_described_are_refused(make_site, tmp_path, geometry, fields, words):
    with pytest.raises(InputError, match=words):
        gates(make_site, tmp_path, geometry, **fields)


def test_a_leaf_that_opens_into_the_beams_is_named_and_one_that_opens_away_is_not(make_site, tmp_path):
    toml = "[layout]\nsetback_m = 3.0\n"
    site_file = make_site(points=RING, inputs='gates = "gates.geojson"\n', threats='["walk"]', toml=toml)
    put_gate(tmp_path / "gates.geojson", line([(45, 15), (51, 15)]), swing_m=4.0, swing_side="inside")
    heads, conflicts, _ = lay_out(site_file, tmp_path / "in")
    named = conflicts[conflicts["rule"] == "gate leaf in a beam"]
    assert len(named) == 1
    # the beam leans by half the stagger of either post: from (38, 18.25) to (58, 17.75); it passes (51, 15) at 2.92 m
    assert "over 6.0 m when it opens, 2.9 m from the opening" in named["found"].iloc[0]
    assert heads.geometry.force_2d().distance(box(500_045, 5_400_015, 500_051, 5_400_019)).min() >= 1.0 - 0.05
    put_gate(tmp_path / "gates.geojson", line([(45, 15), (51, 15)]), swing_m=4.0, swing_side="outside")
    _, conflicts, _ = lay_out(site_file, tmp_path / "away")
    assert "gate leaf in a beam" not in set(conflicts["rule"])


def test_a_post_is_an_aid_to_climbing_by_the_height_of_head_and_fence():
    near = {"reach_m": 2.2, "leap_m": 1.5}
    # 0.9 m up somebody reaches 3.1 m: no fence of 3.1 m, but one of 2.4 m, 0.7 of 2.2 m below the reach
    assert climbing_distance_m(0.9, 3.1, **near) == pytest.approx(0.0)
    assert climbing_distance_m(0.9, 2.4, **near) == pytest.approx(1.5 * 0.7 / 2.2)
    assert climbing_distance_m(3.0, 2.4, **near) == 1.5


def test_posts_with_a_head_at_the_fences_top_stand_farther_off(make_site, tmp_path):
    toml = "[layout]\nsetback_m = 4.0\nclimb_leap_m = 2.2\n"
    apart = {}
    for threats in ('["walk"]', '["walk", "bridge"]'):
        site_file = make_site(points=RING, threats=threats + "\nfence_height_m = 2.4", toml=toml)
        heads, conflicts, _ = lay_out(site_file, tmp_path / str(len(apart)))
        assert "post close to a fence" not in set(conflicts["rule"])
        fence = LineString(line(RING)["coordinates"])
        apart[threats] = heads.geometry.force_2d().distance(fence).min()
    # the post of a main head alone may stand 1 m off, half of the stagger less; one with a head at the top 2.2 m
    assert 0.7 <= apart['["walk"]'] < 2.0
    assert apart['["walk", "bridge"]'] >= 2.2 - 0.25 - 0.05


def test_the_passage_behind_a_building_is_as_wide_as_it_is():
    # a fence along y = 0, beams 3 m off, a building from 3 m on: the line runs along its wall
    ground = box(0, 0, 100, 9).difference(box(40, 3, 60, 20))
    path = LineString([(0, 3), (100, 3)])
    stations = np.array([20.0, 50.0, 80.0])
    obstacles = [LineString([(0, 0), (100, 0)]), box(40, 3, 60, 20)]
    measured = free_width(path, [*obstacles, ground.boundary], stations, reach_m=20.0)
    assert measured.total[1] == 0.0
    found = past_objects(path, ground, measured, 20.0)
    assert found.total.tolist() == [9.0, 3.0, 9.0]
    assert (found.left[1], found.right[1]) == (0.0, 3.0)
    # the line through the building: the passage lies wholly to its right
    deeper = LineString([(0, 5), (100, 5)])
    found = past_objects(deeper, ground, free_width(deeper, [*obstacles, ground.boundary], stations), 20.0)
    assert (found.total[1], found.left[1]) == (3.0, -2.0)


def test_a_passage_of_three_metres_behind_a_building_is_laid_out_and_measured(make_site, tmp_path):
    site_file = make_site(
        points=((6.0, 50.0), (94.0, 50.0)),
        threats='["walk"]',
        inputs='keep_outs = "objects.geojson"\n',
        toml='[layout]\nside = "left"\nsetback_m = 3.0\n',
    )
    corners = [(40, 53), (60, 53), (60, 70), (40, 70), (40, 53)]
    put_gate(
        tmp_path / "objects.geojson",
        {"type": "Polygon", "coordinates": [line(corners)["coordinates"]]},
        kind="building",
    )
    _, conflicts, widths = lay_out(site_file, tmp_path / "out")
    behind = widths[(widths["chainage_m"] > 36) & (widths["chainage_m"] < 52)]
    assert len(behind) >= 2
    assert behind["width_m"].tolist() == pytest.approx([3.0] * len(behind), abs=0.01)
    assert "corridor too narrow" not in set(conflicts["rule"])
