"""How papers name the system of their coordinates."""

from __future__ import annotations

from pyproj import CRS

from geotools.plan.point_sidecar import system_name, system_words

#: As a lidar file states a system of its own: a name and parameters, no code.
OWN = CRS.from_wkt(
    CRS.from_proj4("+proj=lcc +lat_0=41.9 +lon_0=-120.4 +lat_1=43.1 +lat_2=45.4 +ellps=GRS80 +units=ft")
    .to_wkt()
    .replace('"unknown"', '"Site grid 7"', 1)
)


def test_a_system_with_a_code_has_name_and_code():
    assert system_name(CRS("EPSG:32632")) == "WGS 84 / UTM zone 32N (EPSG:32632)"


def test_a_system_without_a_code_has_its_name_and_never_its_parameters():
    assert system_name(OWN) == "Site grid 7"
    assert system_words(OWN, "NAVD88") == "x, y: Site grid 7, foot; levels in metres, vertical datum: NAVD88"
