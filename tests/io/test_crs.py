"""Units and metric twins against PROJ's own definitions."""

from __future__ import annotations

import pytest
from pyproj import CRS, Transformer

from geotools.errors import InputError
from geotools.io.crs import code_of, epsg_of, metres_per_unit, metric_twin, utm_for, vertical


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


def test_a_system_without_a_code_is_looked_up_once(monkeypatch):
    """To look for one of a surveyor's own takes a fifth of a second, and a plan has sixty layers."""
    asked = []
    looked_up = CRS.to_authority
    monkeypatch.setattr(CRS, "to_authority", lambda self, *a, **k: asked.append(self.name) or looked_up(self, *a, **k))
    own = CRS("+proj=lcc +lat_1=43.1 +lat_2=45.7 +lat_0=41.9 +lon_0=-120.3 +x_0=412345.6 +y_0=0 +ellps=GRS80 +units=m")
    assert [code_of(own), code_of(CRS(own.to_wkt())), code_of(own, 100)] == [None, None, None]
    assert len(asked) == 2  # one for each confidence
    assert code_of(CRS("EPSG:32632"), 100) == ("EPSG", "32632")
    assert epsg_of(CRS("EPSG:32632")) == 32632 and epsg_of(own) is None
