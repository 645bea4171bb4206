"""Things beside the fence, from vector files: what is refused, in words."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from pyproj import CRS
from shapely import LineString, Point

from geotools.errors import InputError
from geotools.io.features import read_figures, read_named, read_points

UTM = CRS.from_epsg(32632)


@pytest.mark.parametrize("read", [read_figures, read_named, read_points])
@pytest.mark.parametrize("far", [3.9e16, -1e308, 1.1e9])
def test_a_place_that_is_none_on_earth_is_refused_with_its_feature(read, far, tmp_path: Path) -> None:
    """Found by files built at random: a gate with such a point ended the layout in an unexpected fault."""
    path = tmp_path / "things.geojson"
    near = Point(500_000.0, 5_400_000.0)
    shapes = (
        [near, Point(far, 0.0)] if read is read_points else [near, LineString([(500_080.0, 5_400_020.0), (far, 0.0)])]
    )
    gpd.GeoSeries(shapes, crs=UTM).to_file(path)
    with pytest.raises(InputError, match="farther away than any place on Earth") as refused:
        read(path, "gates", "input.gates", UTM)
    told = str(refused.value)
    assert "things.geojson, feature 2" in told and f"{far:g} m" in told and "input.gates_crs" in told


def test_a_zone_number_before_the_easting_is_no_such_place(tmp_path: Path) -> None:
    """EPSG:4647: eastings of 32 million and half a million."""
    path = tmp_path / "things.geojson"
    system = CRS.from_epsg(4647)
    gpd.GeoSeries([Point(32_500_000.0, 5_400_000.0)], crs=system).to_file(path)
    (found,) = read_figures(path, "gates", "input.gates", system)
    assert found.x == pytest.approx(32_500_000.0)
