"""A threat added later adds heads to the posts that stand; what changed, why and at what price."""

from __future__ import annotations

import geopandas as gpd
import pytest
from shapely import Point

import geotools
from geotools.plan.changes import HeadPrices, head_changes
from tests.making import laid_out_copy

RING = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))
PRICES = "[prices]\nhead = 2000.0\npost = 1000.0\nset_head = 100.0\n"


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


@pytest.fixture
def walk_yard(tmp_path_factory, tmp_path):
    """A yard laid out for people on foot alone, in its own folder."""
    toml = f"[layout]\nsetback_m = 4.0\n{PRICES}"
    return laid_out_copy(tmp_path_factory, tmp_path, "walk_yard", points=RING, threats='["walk"]', toml=toml)


def add_prone(site_file):
    site_file.write_text(site_file.read_text().replace('threats = ["walk"]', 'threats = ["walk", "prone"]'))
    return geotools.open_site(site_file)


def test_the_prone_threat_added_later_adds_low_heads_to_the_posts_that_stand_and_only_those(walk_yard):
    site_file, out = walk_yard
    before = layer(out, "heads").set_index("head_id")
    geotools.run_step("layout", add_prone(site_file), out, overwrite=True, extend=True)
    after = layer(out, "heads").set_index("head_id")
    new = after[~after.index.isin(before.index)]
    assert set(new["level"]) == {"low"}
    assert len(new) == len(before)
    assert set(new["post_id"]) == set(before["post_id"])
    # what stood is untouched, and each low head is on its post
    same = after.loc[before.index]
    for field in ("height_m", "head_type", "polarisation", "post_id", "role"):
        assert (same[field] == before[field]).all()
    assert (same.geometry.distance(before.geometry) == 0).all()
    place = before.drop_duplicates("post_id").set_index("post_id").geometry
    assert all(head.geometry.distance(place[head.post_id]) == 0 for head in new.itertuples())
    changes = layer(out, "changes")
    assert set(changes["subject_id"]) == set(new.index)
    assert set(changes["change"]) == {"added"}
    assert changes["price"].tolist() == [2000.0] * len(new)
    assert changes["reason"].str.contains("prone calls for a head at level low").all()


def test_added_heads_take_the_channel_of_their_zone(walk_yard):
    site_file, out = walk_yard
    geotools.run_step("channels", geotools.open_site(site_file), out)
    geotools.run_step("layout", add_prone(site_file), out, overwrite=True, extend=True)
    heads = layer(out, "heads")
    assert heads["channel"].notna().all()
    assert (heads.groupby("zone_id")["channel"].nunique() == 1).all()


def test_heads_of_one_band_are_crossed_with_what_stands(walk_yard):
    site_file, out = walk_yard
    heads = layer(out, "heads")
    stood = heads.set_index("head_id")["polarisation"]
    # a head at the fence's top is of the main heads' band: it is turned, and what stands is not
    site_file.write_text(
        site_file.read_text().replace('threats = ["walk"]', 'threats = ["walk", "bridge"]\nfence_height_m = 2.4')
    )
    geotools.run_step("layout", geotools.open_site(site_file), out, overwrite=True, extend=True)
    heads = layer(out, "heads").set_index("head_id")
    assert (heads.loc[stood.index, "polarisation"] == stood).all()
    top = heads[heads["level"] == "top"]
    assert len(top) == len(stood)
    main = heads[heads["level"] == "main"].set_index(["zone_id", "role"])["polarisation"]
    assert all(main[head.zone_id, head.role] != head.polarisation for head in top.itertuples())


def test_a_changed_setting_is_the_reason(walk_yard):
    site_file, out = walk_yard
    site_file.write_text(site_file.read_text().replace("setback_m = 4.0", "setback_m = 5.0"))
    outcome = geotools.run_step("layout", geotools.open_site(site_file), out, overwrite=True)
    changes = layer(out, "changes")
    moved = changes[changes["change"] == "moved"]
    assert len(moved) > 0
    assert moved["reason"].str.contains("layout.setback_m 4.00 -> 5.00").all()
    # a post anew, and one head set on it
    assert (moved["price"] == 1000.0 + 100.0).all()
    assert outcome.summary["changes"] == len(changes)
    assert any("see layer changes" in note for note in outcome.notes)
    heads = layer(out, "heads")
    price = 2000.0 * len(heads) + 1000.0 * heads["post_id"].nunique()
    assert any(note.startswith(f"heads and posts {price:,.0f} EUR") for note in outcome.notes)


def test_nothing_changes_where_nothing_changed(walk_yard):
    site_file, out = walk_yard
    geotools.run_step("layout", geotools.open_site(site_file), out, overwrite=True)
    assert layer(out, "changes").empty


def head(name, x, **fields):
    row = {"zone_id": "Z1", "post_id": "Z1-A", "role": "transmitter", "level": "main", "head_type": "10 GHz"}
    row |= {"height_m": 0.9, "polarisation": "vertical"}
    return {"head_id": name, "geometry": Point(x, 0.0), **row, **fields}


#: Number of the zone, end and place of the posts of two zones, and of the three that take their place.
ENDS_BEFORE = [(1, "A", 0.0), (1, "B", 104.0), (2, "A", 96.0), (2, "B", 200.0)]
ENDS_AFTER = [(1, "A", 0.0), (1, "B", 54.0), (2, "A", 46.0), (2, "B", 104.0), (3, "A", 96.0), (3, "B", 200.0)]


def test_prices_of_each_kind_of_change():
    before = [head("a", 0.0), head("b", 9.0, post_id="Z1-B"), head("c", 5.0, post_id="Z2-A")]
    after = [head("a", 1.0, height_m=0.7), head("b", 9.0, post_id="Z1-B", head_type="24 GHz"), head("d", 1.0)]
    prices = HeadPrices(head=2000.0, post=1000.0, set_head=100.0)
    found = {(c.subject_id, c.change): c.price for c in head_changes(before, after, lambda kind, row: "", prices)}
    assert found == {
        ("Z1-A", "moved"): 1000.0 + 100.0,
        ("Z2-A", "removed"): None,
        ("a", "height"): 100.0,
        ("b", "head type"): 2000.0,
        ("c", "removed"): None,
        ("d", "added"): 2000.0,
    }


def test_posts_that_stand_where_they_stood_are_the_same_whatever_the_new_zones_are_called():
    """A zone in two at the start of the fence: every zone after it has another number, and nothing of it is moved."""
    before = [head(f"Z{k}-{end}", x, zone_id=f"Z{k}", post_id=f"Z{k}-{end}") for k, end, x in ENDS_BEFORE]
    after = [head(f"Z{k}-{end}", x, zone_id=f"Z{k}", post_id=f"Z{k}-{end}") for k, end, x in ENDS_AFTER]
    prices = HeadPrices(head=2000.0, post=1000.0, set_head=100.0)
    found = head_changes(before, after, lambda kind, row: "", prices)
    assert {(c.subject_id, c.before) for c in found if c.change == "renamed"} == {
        ("Z2-B", "Z1-B"),
        ("Z3-A", "Z2-A"),
        ("Z3-B", "Z2-B"),
    }
    # two posts more with a head each
    assert sorted(c.price for c in found) == [0.0, 0.0, 0.0, 1000.0, 1000.0, 2000.0, 2000.0]
    assert {c.change for c in found} == {"renamed", "added"}


def test_who_would_replace_a_plan_is_told_before_of_the_way_that_leaves_its_posts(walk_yard):
    site_file, out = walk_yard
    with pytest.raises(geotools.errors.OutputError) as caught:
        geotools.run_step("layout", add_prone(site_file), out)
    assert "--extend --overwrite: leave posts and heads as they stand and add the heads" in caught.value.mend
