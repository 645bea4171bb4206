"""What is locked stands where a hole in the terrain leaves a stretch without a zone; what cannot is named."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.errors import InfeasibleError
from tests.making import write_raster

YARD = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))
SETTINGS = '[layout]\nmax_zone_m = 30\nsetback_m = 4.0\nclear_m = 9.0\nside = "inside"\n'
EAST, NORTH = 500_000.0, 5_400_000.0


def ground(first: int = 0, last: int = 0) -> np.ndarray:
    """Flat; without data in x from ``first`` to ``last``, below y = 40: beside the south side of the yard."""
    level = np.full((100, 100), 250.0, np.float32)
    level[60:, first:last] = -9999.0
    return level


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


def laid_out(site_file, out, **params):
    site = geotools.open_site(site_file)
    geotools.run_step("inspect", site, out, overwrite=True)
    return geotools.run_step("layout", site, out, overwrite=True, **params)


def lock(out, heads=(), zones=()):
    """Lock heads and whole zones, as somebody does in a GIS; the heads as they then stand, by name."""
    rows = layer(out, "heads")
    rows.loc[rows.head_id.isin(heads), "locked"] = "all"
    rows.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")
    whole = layer(out, "zones")
    whole.loc[whole.zone_id.isin(zones), "locked"] = True
    whole.to_file(out / "plan.gpkg", layer="zones", driver="GPKG")
    return rows[rows.head_id.isin(heads) | rows.zone_id.isin(zones)].set_index("head_id")


def stands(before, out):
    after = layer(out, "heads").set_index("head_id")
    assert set(before.index) <= set(after.index)
    after = after.loc[before.index]
    fields = ["zone_id", "role", "level", "height_m"]
    assert (before[fields] == after[fields]).all(axis=None)
    assert (before.geometry.distance(after.geometry) < 1e-6).all()


def beside_the_hole(out, first, last):
    """No post within the hole, none of the beams over it, and a beam along all three other sides."""
    heads = layer(out, "heads").geometry
    x, y = heads.x - EAST, heads.y - NORTH
    assert not ((x > first) & (x < last) & (y < 40)).any()
    beams = shapely.union_all(shapely.force_2d(layer(out, "beams").geometry.array))
    assert beams.distance(shapely.Point(EAST + (first + last) / 2, NORTH + 15)) > 10.0
    for east, north in ((50, 85), (85, 50), (15, 50)):
        assert beams.distance(shapely.Point(EAST + east, NORTH + north)) < 6.0
    rules = layer(out, "conflicts").rule.tolist()
    assert rules.count("no data for a zone") == 1 and "junction open" not in rules


@pytest.fixture
def yard(make_site, tmp_path):
    """A yard as it was drawn (``ring``), laid out over a first survey; and the second survey, put in its place."""

    def make(ring, before):
        site = make_site(heights=before, points=ring, threats='["walk"]', toml=SETTINGS)
        laid_out(site, tmp_path / "out")

        def again(heights):
            write_raster(tmp_path / "terrain.tif", heights)

        return site, tmp_path / "out", again

    return make


@pytest.mark.parametrize("ring", [YARD, [*YARD[2:-1], *YARD[:3]]], ids=["south", "north"])
def test_locked_heads_beside_the_hole_and_far_from_it_stand(yard, ring):
    site, out, _ = yard(ring, ground(35, 68))
    heads = layer(out, "heads").set_index("head_id").geometry
    # the post that is nearest to the hole's west side, and a whole zone of the side opposite
    post = heads.distance(shapely.Point(EAST + 33, NORTH + 18)).idxmin()
    zones = layer(out, "zones").set_index("zone_id").geometry
    far = zones.distance(shapely.Point(EAST + 50, NORTH + 83)).idxmin()
    before = lock(out, [post], [far])
    site.write_text(site.read_text().replace("max_zone_m = 30", "max_zone_m = 28"))
    laid_out(site, out, redesign=True)
    stands(before, out)
    beside_the_hole(out, 35, 68)


def test_a_hole_that_a_later_survey_has_leaves_locked_zones_elsewhere_as_they_are(yard):
    # drawn the other way round than the one form that is laid out
    site, out, again = yard(YARD[::-1], ground())
    zones = layer(out, "zones").set_index("zone_id").geometry
    names = [zones.distance(shapely.Point(EAST + e, NORTH + n)).idxmin() for e, n in ((50, 83), (82, 60))]
    before = lock(out, (), names)
    again(ground(33, 67))
    laid_out(site, out, redesign=True)
    stands(before, out)
    beside_the_hole(out, 33, 67)


def test_a_head_locked_where_the_ground_is_not_known_is_named_with_the_hole(yard):
    site, out, again = yard(YARD, ground())
    heads = layer(out, "heads").set_index("head_id").geometry
    x, y = heads.x - EAST, heads.y - NORTH
    inside = heads.index[(x > 40) & (x < 60) & (y < 40)][0]
    lock(out, [inside])
    again(ground(33, 67))
    with pytest.raises(InfeasibleError) as caught:
        laid_out(site, out, redesign=True)
    said = str(caught.value)
    assert inside in said and "no data from 1" in said and "field locked" in said and "survey" in said


def test_a_locked_zone_over_a_new_hole_stands(make_site, tmp_path):
    """A zone of 60 m whose posts are known and whose middle is not, on a site that now asks for zones of 30 m."""
    out = tmp_path / "out"
    ring = ((15.0, 50.0), (85.0, 50.0))
    toml = '[layout]\nmax_zone_m = 80\nsetback_m = 4.0\nclear_m = 9.0\nside = "left"\n'
    site = make_site(heights=ground(), points=ring, threats='["walk"]', toml=toml)
    laid_out(site, out)
    name = layer(out, "zones").zone_id[0]
    posts = layer(out, "heads").geometry.x - EAST
    assert posts.max() - posts.min() > 60 and len(layer(out, "zones")) == 1
    before = lock(out, (), [name])
    level = ground()
    level[:, 32:68] = -9999.0
    write_raster(tmp_path / "terrain.tif", level)
    site.write_text(site.read_text().replace("max_zone_m = 80", "max_zone_m = 30"))
    laid_out(site, out, redesign=True)
    stands(before, out)
