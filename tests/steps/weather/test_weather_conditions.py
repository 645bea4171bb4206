"""Weather that closes a window, and the days of a year: by hand, from the month table.

Red where a limit is not the least that closes, a bound is left out, or the days do not follow from the table.
"""

from __future__ import annotations

import math

import geopandas as gpd
import pytest

import geotools
from geotools.beam import HEAD_TYPES
from geotools.beam.movers import MOVERS
from geotools.detection.level_ground import level_pair
from geotools.detection.nuisance import Strongest
from geotools.detection.operating import OperatingWindow, WeakestCrossing
from geotools.detection.surface_windows import SurfaceWindow
from geotools.errors import SiteError
from geotools.site.weather import DAYS, Weather
from geotools.steps.weather.conditions import dry, grass_height_m, pond, rain, surfaces
from tests.invented_ground import zone
from tests.making import SQUARE
from tests.shared import made_once

PLAIN = Weather(
    fade_margin_db=0.5,
    rain_days=(10.0,) * 12,
    rain_mm_h=(20.0,) * 12,
    pond_days=(2.0,) * 12,
    snow_days=(5.0,) + (0.0,) * 11,
    snow_depth_m=(0.1,) + (0.0,) * 11,
    grass_m_month=(0.0, 0.0, 0.0, 0.30, *(0.0,) * 8),
    cut_to_m=0.03,
)


def under(depth, must, bound="hides", level=0.0, must_not=0.05):
    strongest = Strongest(MOVERS["lorry"], must_not, must_not, "Z1-main", 0.0, 0.0, 30.0, 5.0)
    window = OperatingWindow("Z1", WeakestCrossing("prone", must, 30.0), (strongest,), 0.2)
    return SurfaceWindow("Z1", depth, bound, window, level)


def test_a_window_open_on_a_dry_day_has_no_condition_for_it():
    assert dry(under(0.0, 0.3)) is None


@pytest.mark.parametrize(("must", "must_not", "words"), [(0.15, 0.05, "prone"), (0.3, 0.4, "lorry gives 0.40")])
def test_one_that_is_closed_dry_is_closed_all_year(must, must_not, words):
    found = dry(under(0.0, must, must_not=must_not))
    assert found.year == 365.0
    assert words in found.because


def test_the_nearer_of_the_two_bounds_closes():
    rows = [under(0.05, 0.3), under(0.05, 0.3, "reflects"), under(0.1, 0.25), under(0.1, 0.19, "reflects")]
    rows += [under(0.2, 0.3), under(0.2, 0.3, "reflects")]
    snow, grass = surfaces(rows, under(0.0, 0.3), PLAIN)
    assert (snow.closes_at, snow.keeps_to) == (grass.closes_at, grass.keeps_to) == (0.1, 0.05)


def test_days_of_snow_are_those_deeper_than_what_it_keeps_to():
    """Five days in January, exponential about 0.1 m: exp(-0.5) of them above 0.05 m."""
    snow, _ = surfaces([under(0.05, 0.3), under(0.1, 0.1)], under(0.0, 0.3), PLAIN)
    assert snow.days[0] == pytest.approx(5.0 * math.exp(-0.5))
    assert snow.days[1:] == (0.0,) * 11


def test_days_of_grass_by_hand():
    """0.03 m until the end of March, then 0.01 m a day: above 0.05 m from 3 April on, to the end of the year."""
    _, grass = surfaces([under(0.05, 0.3), under(0.1, 0.1)], under(0.0, 0.3), PLAIN)
    assert grass.days[:4] == (0.0, 0.0, 0.0, 28.0)
    assert grass.days[4:] == tuple(float(days) for days in DAYS[4:])
    heights = [height for _, height in grass_height_m(PLAIN)]
    assert heights[89] == pytest.approx(0.03) and heights[-1] == pytest.approx(0.33)


def test_a_level_that_falls_by_more_than_the_margin_closes_it_too():
    snow, _ = surfaces([under(0.05, 0.3, level=-1.0)], under(0.0, 0.3), PLAIN)
    assert snow.closes_at == 0.05 and "falls by 1.0 dB" in snow.because


def test_rain_by_the_printed_coefficients():
    """P.838-3's printed table at 24 GHz: k 0.14, alpha about 1, so 5 dB/km at about 35 mm/h."""
    pairs = (level_pair("low", HEAD_TYPES["24 GHz"], 0.3), level_pair("main", HEAD_TYPES["10 GHz"], 0.9))
    found = rain(zone(length=100.0, pairs=pairs), PLAIN)
    # k 0.1395 to 0.1425 and alpha 0.984 to 1.013 between both planes, by the recommendation's printed table at 24 GHz
    assert 30.0 < found.closes_at < 42.0
    assert "low beam" in found.because
    assert found.days[0] == pytest.approx(10.0 * math.exp(-found.closes_at / 20.0))
    deep = rain(zone(length=100.0, pairs=pairs), Weather())
    assert deep.closes_at is None and deep.year == 0.0


def test_water_closes_on_the_days_that_hollows_are_full():
    rows = [under(0.1, 0.3), under(0.2, 0.1)]
    found = pond(rows, under(0.0, 0.3), PLAIN)
    assert (found.closes_at, found.keeps_to, found.year) == (0.2, 0.1, 24.0)
    assert pond([], under(0.0, 0.3), PLAIN).year == 0.0


def test_a_month_has_no_more_days_than_it_has():
    with pytest.raises(ValueError, match=r"weather\.snow_days: 30 days in feb, which has 28"):
        Weather(snow_days=(0.0, 30.0, *(0.0,) * 10))


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    import numpy as np

    from tests.making import line, write_fence, write_raster

    def make(folder):
        write_raster(folder / "dtm.tif", np.full((100, 100), 10.0))
        write_fence(folder / "fence.geojson", [line(SQUARE)])
        (folder / "site.toml").write_text(
            'name = "Line"\nthreats = ["crawl"]\n[input]\nfence = "fence.geojson"\nterrain = "dtm.tif"\n'
            "vertical_accuracy_m = 0.05\n[upkeep]\nstart = 2027-01-01\nyears = 1\n"
            "[nuisance]\nreach_m = 3.0\ndepths_m = [0.1, 0.5]\n[weather]\ncut_to_m = 0.0\n"
        )
        opened = geotools.open_site(folder / "site.toml")
        for step in ("inspect", "layout", "weather", "upkeep"):
            geotools.run_step(step, opened, folder / "out")

    return made_once(tmp_path_factory, "site_in_weather", make)


def layer(folder, name):
    return gpd.read_file(folder / "out" / "plan.gpkg", layer=name)


def test_a_whole_site_has_its_table_and_its_cuts(site):
    rows, visits = layer(site, "window_weather"), layer(site, "upkeep")
    assert set(rows["condition"]) in (
        {"dry"},
        {"rain", "pond", "snow", "grass"},
        {"dry", "rain", "pond", "snow", "grass"},
    )
    grass = rows[(rows["condition"] == "grass") & rows["closes_at"].notna() & (rows["keeps_to"] > 0.03)]
    cuts = visits[visits["task"].str.startswith("cut before")]
    assert set(cuts["place"]) == set(grass["zone_id"])
    for row in grass.itertuples():
        assert row.advice == f"cut before the grass reaches {row.keeps_to:.2f} m"


def test_a_month_table_of_eleven_months_is_refused(make_site):
    site_file = make_site(points=SQUARE, toml="[weather]\nrain_days = [1, 2, 3]\n")
    with pytest.raises(SiteError, match="rain_days"):
        geotools.open_site(site_file)
