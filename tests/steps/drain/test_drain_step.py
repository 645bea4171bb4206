"""The step on a site: ponds are followed past the ground looked at first, and hold what an independent flood finds."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio

import geotools
from geotools.engine.runner import Job, run_site

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
