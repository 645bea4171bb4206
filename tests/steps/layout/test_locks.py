"""What is locked stays as it stands when everything else is laid out anew."""

from __future__ import annotations

import itertools
import shutil

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.errors import InfeasibleError
from geotools.plan.changes import SAME_PLACE_M
from geotools.steps.layout.held import HeldZone, with_held
from geotools.steps.layout.lines import candidates
from geotools.steps.layout.roles import mixed_junctions, roles_around
from tests.making import line, write_fence, write_raster
from tests.shared import made_once

RING = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


@pytest.fixture(scope="module")
def laid(tmp_path_factory):
    """A yard laid out for people on foot; copy before changing."""

    def make(folder):
        write_raster(folder / "terrain.tif", np.full((100, 100), 250.0, np.float32))
        write_fence(folder / "fence.geojson", [line(RING)])
        (folder / "site.toml").write_text(
            'name = "Yard"\nthreats = ["walk"]\n\n[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\n'
            "vertical_accuracy_m = 0.05\n\n[layout]\nsetback_m = 4.0\nmax_zone_m = 40.0\n"
        )
        site = geotools.open_site(folder / "site.toml")
        for step in ("inspect", "layout"):
            geotools.run_step(step, site, folder / "out")

    return made_once(tmp_path_factory, "locked_yard", make)


@pytest.fixture
def yard(laid, tmp_path):
    shutil.copytree(laid, tmp_path / "yard")
    return tmp_path / "yard" / "site.toml", tmp_path / "yard" / "out"


def lock(out, name, change):
    rows = layer(out, name)
    change(rows)
    rows.to_file(out / "plan.gpkg", layer=name, driver="GPKG")


def anew(site_file, out, *settings):
    """A new design with other settings."""
    text = site_file.read_text()
    for old, new in settings:
        assert old in text
        text = text.replace(old, new)
    site_file.write_text(text)
    return geotools.run_step("layout", geotools.open_site(site_file), out, overwrite=True, redesign=True)


def same_heads(before, after):
    fields = ["zone_id", "post_id", "role", "level", "head_type", "height_m", "polarisation", "locked"]
    assert (before[fields] == after.loc[before.index, fields]).all(axis=None)
    assert (before.geometry.distance(after.geometry.loc[before.index]) == 0).all()


def test_a_locked_zone_stands_and_the_rest_is_laid_out_around_it(yard):
    site_file, out = yard
    name = layer(out, "zones")["zone_id"][2]

    def change(zones):
        zones.loc[zones["zone_id"] == name, "locked"] = True

    lock(out, "zones", change)
    before = layer(out, "heads").set_index("head_id")
    outcome = anew(site_file, out, ("setback_m = 4.0", "setback_m = 5.0"), ("max_zone_m = 40.0", "max_zone_m = 60.0"))
    after, zones = layer(out, "heads").set_index("head_id"), layer(out, "zones").set_index("zone_id")
    held = before[before["zone_id"] == name]
    assert len(held) == 2
    assert (held.geometry.distance(after.geometry.loc[held.index]) == 0).all()
    assert zones.loc[name, "locked"]
    assert zones["locked"].sum() == 1
    # everything else follows the new settings: fewer zones, none of their posts where it was
    others = after[after["zone_id"] != name]
    assert len(others) < len(before) - len(held)
    assert others.geometry.distance(shapely.union_all(before.geometry)).min() > SAME_PLACE_M
    # the zones still make one closed chain: no junction is open, none of the locked zone's neither
    assert not set(layer(out, "conflicts")["rule"]) & {"junction open", "overlap", "post in a beam's axis"}
    numbers = zones.sort_values("number")
    assert numbers["number"].tolist() == list(range(1, len(zones) + 1))
    assert (np.diff(numbers["fence_from_m"].iloc[1:]) > 0).all()
    changes = layer(out, "changes")
    assert not changes["subject_id"].str.startswith(name).any()
    assert changes["reason"].str.contains(f"laid out around what is locked ({name})", regex=False).all()
    assert outcome.summary["changes"] == len(changes)
    # locked still, once more
    anew(site_file, out, ("setback_m = 5.0", "setback_m = 4.5"))
    assert (held.geometry.distance(layer(out, "heads").set_index("head_id").geometry.loc[held.index]) == 0).all()


def test_a_locked_head_keeps_height_and_place_and_its_post_gets_what_the_stack_adds(yard):
    site_file, out = yard
    heads = layer(out, "heads")
    name = heads["head_id"][3]

    def change(rows):
        rows.loc[rows["head_id"] == name, ["locked", "height_m"]] = ["head", 1.05]

    lock(out, "heads", change)
    before = layer(out, "heads").set_index("head_id").loc[[name]]
    anew(site_file, out, ('["walk"]', '["walk", "prone"]'), ("setback_m = 4.0", "setback_m = 5.0"))
    after = layer(out, "heads").set_index("head_id")
    same_heads(before, after)
    post = after[after["post_id"] == before["post_id"].iloc[0]]
    assert sorted(post["level"]) == ["low", "main"]
    assert (post.geometry.force_2d().distance(before.geometry.force_2d().iloc[0]) == 0).all()


def test_a_locked_post_keeps_its_place_alone(yard):
    site_file, out = yard
    name = layer(out, "heads")["head_id"][0]

    def change(rows):
        rows.loc[rows["head_id"] == name, "locked"] = "post"

    lock(out, "heads", change)
    before = layer(out, "heads").set_index("head_id").loc[name]
    anew(
        site_file,
        out,
        ("setback_m = 4.0", "setback_m = 5.0"),
        (
            "max_zone_m = 40.0\n",
            'max_zone_m = 40.0\n\n[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = 0.8\n',
        ),
    )
    after = layer(out, "heads").set_index("head_id").loc[name]
    assert before.geometry.distance(after.geometry) == 0
    assert (before.height_m, after.height_m, after.locked) == (0.9, 0.8, "post")


def test_without_a_lock_a_new_design_moves_everything(yard):
    site_file, out = yard
    before = layer(out, "heads")
    anew(site_file, out, ("setback_m = 4.0", "setback_m = 5.0"))
    assert layer(out, "heads").geometry.distance(shapely.union_all(before.geometry)).min() > 0.1


def test_where_nothing_fits_beside_what_is_locked_the_lock_is_named(yard):
    site_file, out = yard
    name = layer(out, "zones")["zone_id"][1]
    lock(out, "zones", lambda zones: zones.__setitem__("locked", zones["zone_id"] == name))
    # clear ground so narrow, and zones so long, that nothing fits up to the locked zone's ends
    with pytest.raises(InfeasibleError) as caught:
        anew(site_file, out, ("max_zone_m = 40.0", "max_zone_m = 40.0\nclear_m = 4.6\nmin_zone_m = 39.0"))
    assert f"locked: {name}" in caught.value.found
    assert "unlock" in caught.value.mend


def test_a_held_span_is_the_only_way_over_its_stretch():
    path = shapely.LineString([(0, 0), (100, 0)])
    nodes = candidates(path, shapely.box(-5, -5, 105, 5), step_m=5.0)
    zone = HeldZone(np.array([30.0, 1.0]), np.array([70.0, 1.0]), (True, True), True)
    free = HeldZone(np.array([0.0, 0.0]), np.array([40.0, 0.0]), (False, False), False)
    last = HeldZone(np.array([60.0, 0.0]), np.array([100.0, 0.0]), (False, False), False)
    held = with_held(nodes, path, [free, zone, last], 5.0)
    ((a, b),) = held.held.spans
    assert held.chainage[[a, b]].tolist() == [35.0, 65.0]
    assert held.offset[[a, b]].tolist() == [1.0, 1.0]
    assert held.forced[[a, b]].all()
    assert b == a + 1
    assert (np.diff(held.station) >= 0).all()
    assert held.held.starts[a].at.tolist() == [30.0, 1.0]


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("held", list(itertools.product([None, True, False], repeat=3)))
def test_fewest_mixed_junctions_beside_held_roles_of_all_choices(held, closed):
    found = roles_around(list(held), closed=closed)
    assert all(given is None or role == given for role, given in zip(found, held, strict=True))
    least = min(
        mixed_junctions(list(choice), closed=closed).size
        for choice in itertools.product([True, False], repeat=3)
        if all(given is None or role == given for role, given in zip(choice, held, strict=True))
    )
    assert mixed_junctions(found, closed=closed).size == least
