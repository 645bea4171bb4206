"""Ground that earthworks leave alone. Red where a carriageway, a drain or a neighbour's ground is graded, or where an
area that is kept free of posts or cameras alone is not."""

from __future__ import annotations

import geopandas as gpd
import pytest
from pyproj import CRS
from shapely import LineString, Point

from geotools.earthwork.from_plan import kept_areas
from geotools.site import open_site
from tests.steps.layout.test_obstacles import area, write_keep_outs

CRS_M = CRS.from_epsg(32632)


@pytest.mark.parametrize(
    ("kind", "kept"),
    [
        ("road", True),
        ("drain", True),
        ("neighbour", True),
        ("building", True),
        ("tree", True),
        ("", True),
        ("no posts", False),
        ("no beams", False),
        ("no cameras", False),
    ],
)
def test_what_keep_outs_mean_for_earthworks(make_site, tmp_path, kind, kept):
    shape = area((44, 20), (51, 20), (51, 40), (44, 40))
    write_keep_outs(tmp_path / "out.geojson", ("it", kind, shape))
    site = open_site(make_site(inputs='keep_outs = "out.geojson"\n'))
    fence = gpd.GeoDataFrame(geometry=[LineString([(0, 0), (1, 0)])], crs=CRS_M)
    x, y = shape["coordinates"][0][0]
    at = Point(x + 3, y + 3)
    found = kept_areas(site, fence, CRS_M)
    assert bool(len(found.query(at, predicate="intersects"))) is kept
