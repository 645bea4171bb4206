"""Files that contradict themselves, and systems whose metres are none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import CRS

import geotools
from geotools.errors import InputError
from geotools.io.crs import map_factors
from geotools.site.sources import open_sources
from tests.making import SQUARE, line, write_fence, write_raster

MakeSite = Callable[..., Path]
FLAT = np.full((100, 100), 250.0, np.float32)


def at(folder: Path, crs: str, left: float, bottom: float) -> None:
    write_raster(folder / "terrain.tif", FLAT, crs=crs, left=left, top=bottom + 100.0)
    write_fence(folder / "fence.geojson", [line(SQUARE, left, bottom)], crs=crs)


def test_web_mercator_is_refused_with_a_system_proposed(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    at(tmp_path, "EPSG:3857", 1_000_000.0, 6_200_000.0)
    with pytest.raises(InputError, match="true metres") as caught:
        open_sources(geotools.open_site(site))
    # at 48.557 N: 1 / cos(latitude) = 1.511 on the sphere that the system is made on (EPSG Guidance Note 7-2, 1024)
    assert "151." in str(caught.value.found)
    assert "EPSG:32632" in str(caught.value.mend)
    site.write_text(site.read_text().replace("[input]", '[input]\nplan_crs = "EPSG:32632"'))
    sources = open_sources(geotools.open_site(site))
    assert sources.plan_crs == CRS("EPSG:32632")


def test_factors_are_those_of_the_projection() -> None:
    middle = map_factors(CRS("EPSG:32632"), 500_000.0, 5_400_000.0)
    assert middle.most == pytest.approx(0.9996, abs=1e-8)  # EPSG 16032: scale factor at natural origin
    assert middle.convergence_deg == pytest.approx(0.0, abs=1e-9)
    assert map_factors(CRS("EPSG:3035"), 4_321_000.0, 3_210_000.0).error < 1e-8  # its own origin (EPSG 19986)


@pytest.mark.parametrize(("left", "warned"), [(500_000.0, False), (690_000.0, False), (850_000.0, True)])
def test_utm_is_silent_in_its_zone_and_says_what_it_is_off_beyond(
    make_site: MakeSite, tmp_path: Path, left: float, warned: bool
) -> None:
    site = make_site()
    at(tmp_path, "EPSG:32632", left, 5_400_000.0)
    said = [text for text in open_sources(geotools.open_site(site)).warnings if "100 m on the ground" in text]
    assert bool(said) is warned


@pytest.mark.parametrize(("left", "bottom"), [(7_000_000.0, 5_400_000.0), (5_400_000.0, 500_000.0), (5e5, 2e7)])
def test_places_that_cannot_be(make_site: MakeSite, tmp_path: Path, left: float, bottom: float) -> None:
    site = make_site()
    at(tmp_path, "EPSG:32632", left, bottom)
    with pytest.raises(InputError) as caught:
        open_sources(geotools.open_site(site))
    assert "system" in caught.value.what


def test_feet_in_the_system_beside_metres_in_the_band_are_refused(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    # NAD83 / UTM zone 14N with heights of NAVD88 in US survey feet
    write_raster(tmp_path / "terrain.tif", FLAT, crs="EPSG:26914+6360", left=500_000, top=3_300_100, unit="metre")
    write_fence(tmp_path / "fence.geojson", [line(SQUARE, 500_000, 3_300_000)], crs="EPSG:26914")
    with pytest.raises(InputError, match="contradicts itself") as caught:
        open_sources(geotools.open_site(site))
    assert "US survey foot" in str(caught.value.found)
    assert "metre" in str(caught.value.found)
    site.write_text(site.read_text().replace("[input]", '[input]\nvertical_unit = "US survey foot"'))
    sources = open_sources(geotools.open_site(site))
    assert sources.metres_per_height == pytest.approx(1200 / 3937, rel=1e-9)
    assert any("US survey foot is taken" in text for text in sources.warnings)


def test_a_sidecar_that_says_another_unit_is_noticed(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(heights=FLAT)
    (tmp_path / "terrain.tif.aux.xml").write_text(
        "<PAMDataset><PAMRasterBand band='1'><UnitType>foot</UnitType></PAMRasterBand></PAMDataset>"
    )
    with rasterio.open(tmp_path / "terrain.tif") as raster:
        assert raster.units == ("foot",)  # what every reader sees
    with pytest.raises(InputError, match="contradicts itself") as caught:
        open_sources(geotools.open_site(site))
    assert ".aux.xml" in str(caught.value.found)


def test_the_datum_that_the_terrain_step_noted_goes_on_to_the_papers(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    at(tmp_path, "EPSG:32632", 500_000.0, 5_400_000.0)
    assert open_sources(geotools.open_site(site)).vertical_datum == "not stated"
    with rasterio.open(tmp_path / "terrain.tif", "r+") as raster:
        raster.update_tags(VERTICAL_DATUM="site datum")
    assert open_sources(geotools.open_site(site)).vertical_datum == "site datum"


def test_coordinates_that_were_shortened_are_said_to_be(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    at(tmp_path, "EPSG:32632", 60.0, 60.0)
    with pytest.raises(InputError, match="true metres") as caught:
        open_sources(geotools.open_site(site))
    assert "outside the area that the system is made for" in str(caught.value.found)
    assert "whole" in str(caught.value.mend) and "EPSG:32631" not in str(caught.value.mend)
