"""The step on a site: ponds are followed past the ground looked at first, and hold what an independent flood finds."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio

import geotools
from geotools.engine.runner import Job, run_site
from geotools.errors import InputError

morphology = pytest.importorskip("skimage.morphology")


def test_a_long_shallow_pond_holds_what_flooding_the_whole_terrain_finds(make_site, tmp_path):
    y, x = np.mgrid[0:100, 0:100].astype(float) + 0.5
    # a hollow under the eastern beams that reaches 30 m inside, much further than the margin asked for
    deep = np.clip(1 - ((x - 62) / 28) ** 2 - ((y - 50) / 9) ** 2, 0, None)
    ground = (250 + 0.01 * (100 - y) - 0.4 * deep).astype(np.float32)
    site = make_site(heights=ground, toml='[layout]\nside = "inside"\n')
    run_site(geotools.open_site(site), tmp_path / "out", steps=["inspect", "layout"])
    with Job(geotools.open_site(site), tmp_path / "out") as job:
        job.run("drain", margin_m=5.0)
    ponds = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="ponds")
    with rasterio.open(tmp_path / "terrain.tif") as raster:
        level = raster.read(1).astype(float)
    fine = np.kron(level, np.ones((2, 2)))
    seed = np.full(fine.shape, fine.max())
    seed[[0, -1], :], seed[:, [0, -1]] = fine[[0, -1], :], fine[:, [0, -1]]
    filled = morphology.reconstruction(seed, fine, method="erosion", footprint=np.ones((3, 3)))
    assert len(ponds)
    assert ponds.volume_m3.sum() == pytest.approx((filled - fine).sum() * 0.25, rel=0.01)


def test_a_way_for_water_that_the_ground_holds_is_kept_open(make_site, tmp_path):
    y, x = np.mgrid[0:100, 0:100].astype(float) + 0.5
    deep = np.clip(1 - ((x - 62) / 28) ** 2 - ((y - 50) / 9) ** 2, 0, None)
    ground = (250 + 0.01 * (100 - y) - 0.4 * deep).astype(np.float32)
    ends = gpd.GeoDataFrame(
        {"way": [1, 1], "end": ["inlet", "outlet"], "level_m": [250.1, 250.05]},
        geometry=gpd.points_from_xy([500_062.0, 500_062.0], [5_400_050.0, 5_400_003.0]),
        crs="EPSG:32632",
    )
    stands = {}
    for name, kept in (("dammed", None), ("open", ends)):
        more = "" if kept is None else '[input]\nwaterways = "ways.gpkg"\n'
        ends.to_file(tmp_path / "ways.gpkg", driver="GPKG")
        site = make_site(heights=ground, toml='[layout]\nside = "inside"\n')
        text = site.read_text().replace("[input]\n", more, 1) if more else site.read_text()
        site.write_text(text)
        run_site(geotools.open_site(site), tmp_path / name, steps=["inspect", "layout", "drain"])
        ponds = gpd.read_file(tmp_path / name / "plan.gpkg", layer="ponds")
        stands[name] = float(ponds.volume_m3.sum())
    assert stands["dammed"] > 5.0 and stands["open"] < 0.05 * stands["dammed"]


def test_a_way_for_water_without_an_outlet_is_refused(make_site, tmp_path):
    site = make_site(toml='[layout]\nside = "inside"\n')
    site.write_text(site.read_text().replace("[input]\n", '[input]\nwaterways = "ways.gpkg"\n', 1))
    gpd.GeoDataFrame(
        {"way": [1], "end": ["inlet"], "level_m": [249.7]},
        geometry=gpd.points_from_xy([500_062.0], [5_400_050.0]),
        crs="EPSG:32632",
    ).to_file(tmp_path / "ways.gpkg", driver="GPKG")
    with pytest.raises(InputError, match="a way for water is not whole"):
        run_site(geotools.open_site(site), tmp_path / "out", steps=["inspect", "layout", "drain"])
