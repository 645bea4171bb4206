"""Units and metric twins against PROJ's own definitions."""

from __future__ import annotations

import pytest
from pyproj import CRS, Transformer

from geotools.errors import InputError
from geotools.io.crs import authority, epsg_code, metres_per_unit, metric_twin, short_name, utm_for, vertical


def test_us_survey_foot_is_1200_over_3937_m() -> None:
    # NIST Special Publication 811 (2008), appendix B.6; PROJ unit "us-ft"
    assert metres_per_unit(CRS("EPSG:2277")) == pytest.approx(1200 / 3937, rel=1e-12)


def test_international_foot_is_0_3048_m() -> None:
    # NIST Special Publication 811 (2008), appendix B.8; EPSG:2222 is NAD83 / Arizona East (ft)
    assert metres_per_unit(CRS("EPSG:2222")) == pytest.approx(0.3048, rel=1e-12)


def test_twin_of_a_system_in_feet_is_the_published_system_in_metres() -> None:
    # EPSG:2277 and EPSG:32139 are one projection (NAD83 / Texas Central), in US survey feet and in metres
    feet = Transformer.from_crs("EPSG:4269", "EPSG:2277", always_xy=True)
    metres = Transformer.from_crs("EPSG:4269", "EPSG:32139", always_xy=True)
    twin = Transformer.from_crs("EPSG:2277", metric_twin(CRS("EPSG:2277")), always_xy=True)
    x, y = metres.transform(-97.7, 30.3)
    assert twin.transform(*feet.transform(-97.7, 30.3)) == pytest.approx((x, y), abs=1e-3)


def test_metric_system_is_its_own_twin() -> None:
    assert metric_twin(CRS("EPSG:32632")) == CRS("EPSG:32632")


def test_geographic_system_has_no_twin() -> None:
    with pytest.raises(InputError, match="projected"):
        metric_twin(CRS("EPSG:4326"))


def test_vertical_part_of_a_compound_system() -> None:
    found = vertical(CRS("EPSG:2277+6360"))
    assert found is not None
    assert "NAVD88" in found.name
    assert vertical(CRS("EPSG:2277")) is None


@pytest.mark.parametrize(
    ("longitude", "latitude", "code"),
    # zone = floor((lon + 180) / 6) + 1; 326xx north, 327xx south (EPSG registry)
    [(9.0, 48.0, "EPSG:32632"), (-97.0, 30.0, "EPSG:32614"), (151.0, -33.0, "EPSG:32756"), (180.0, 10.0, "EPSG:32660")],
)
def test_utm_proposal(longitude: float, latitude: float, code: str) -> None:
    assert utm_for(longitude, latitude) == code


#: A system that its file gives in full, without the code of a registry: PROJ looks through its database for it.
UNNAMED = CRS.from_wkt(
    'PROJCRS["local grid of the works",BASEGEOGCRS["WGS 84",DATUM["World Geodetic System 1984",'
    'ELLIPSOID["WGS 84",6378137,298.257223563,LENGTHUNIT["metre",1]]]],CONVERSION["grid",'
    'METHOD["Transverse Mercator",ID["EPSG",9807]],'
    'PARAMETER["Latitude of natural origin",48.3,ANGLEUNIT["degree",0.0174532925199433]],'
    'PARAMETER["Longitude of natural origin",11.4,ANGLEUNIT["degree",0.0174532925199433]],'
    'PARAMETER["Scale factor at natural origin",1,SCALEUNIT["unity",1]],'
    'PARAMETER["False easting",5000,LENGTHUNIT["metre",1]],PARAMETER["False northing",7000,LENGTHUNIT["metre",1]]],'
    'CS[Cartesian,2],AXIS["easting",east,LENGTHUNIT["metre",1]],AXIS["northing",north,LENGTHUNIT["metre",1]]]'
)


@pytest.mark.parametrize(
    "crs", [CRS("EPSG:32632"), CRS("EPSG:2994"), CRS("EPSG:2994+5703"), CRS("OGC:CRS84"), UNNAMED], ids=lambda c: c.name
)
def test_a_registry_is_asked_for_a_system_once_and_answers_as_proj_does(crs: CRS, monkeypatch) -> None:
    asked: list[CRS] = []
    real = CRS.to_authority
    monkeypatch.setattr(CRS, "to_authority", lambda self, *a, **k: asked.append(self) or real(self, *a, **k))
    authority.cache_clear()
    for same in (crs, CRS.from_wkt(crs.to_wkt("WKT2_2019"))):  # as the next layer of the plan has it
        assert authority(same, min_confidence=100) == real(crs, min_confidence=100)
        assert epsg_code(same) == crs.to_epsg()
    # one question each: for any authority, and for EPSG alone
    assert len(asked) == 2
    assert short_name(crs) == crs.to_string()
