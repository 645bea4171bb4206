"""What a survey resolves, told from its metadata or its heights; and what ground of a roughness could hide."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from pyproj import CRS
from rasterio.transform import from_origin
from rasterio.warp import Resampling, reproject

import geotools
from geotools.cli import cli
from geotools.cli.demo import demo_folder
from geotools.site.surveyed import contradiction, survey_quality
from geotools.terrain.model import Terrain
from geotools.terrain.quality import SurveyQuality, estimated, from_tags, height_step, shortest_dip
from geotools.terrain.roughness import could_hide, roughness_of
from tests.making import line, write_fence, write_raster

UTM = CRS("EPSG:32632")
DATA = Path(__file__).parents[1] / "data"


def rough(side: int, cell: float, power: float, seed: int) -> np.ndarray:
    """Self-affine ground, 0.3 m root mean square second difference at 20 m (spectral synthesis)."""
    rng = np.random.default_rng(seed)
    k = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None])
    k[0, 0] = 1.0
    wave = k ** -(power + 1.0) * (rng.normal(size=k.shape) + 1j * rng.normal(size=k.shape))
    wave[0, 0] = 0.0
    z = np.fft.irfft2(wave, (side, side))
    step = max(int(20.0 / cell), 1)
    return 250.0 + z * 0.3 / (z[:, 2 * step :] - 2 * z[:, step:-step] + z[:, : -2 * step]).std()


def resampled(z: np.ndarray, cell: float, finer: float, how: Resampling) -> np.ndarray:
    side = int(z.shape[0] * cell / finer)
    out = np.zeros((side, side), np.float32)
    reproject(
        z.astype(np.float32), out,
        src_transform=from_origin(0, 0, cell, cell), dst_transform=from_origin(0, 0, finer, finer),
        src_crs="EPSG:32632", dst_crs="EPSG:32632", resampling=how,
    )  # fmt: skip
    return out[60:572, 60:572].astype(float)


@pytest.mark.parametrize("how", [Resampling.nearest, Resampling.bilinear, Resampling.cubic])
@pytest.mark.parametrize("power", [0.5, 0.8])
def test_a_resampled_model_is_recognised(how: Resampling, power: float) -> None:
    found = estimated([resampled(rough(64, 20.0, power, 5), 20.0, 0.5, how)], 0.5)
    assert found.origin == "estimated"
    assert found.resolves_m == pytest.approx(20.0, rel=0.35)  # the figure is the source's cell, not our output
    assert found.method == ("repeated" if how == Resampling.nearest else "interpolated")


def test_roofs_on_a_resampled_model_do_not_make_it_fine() -> None:
    z = resampled(rough(64, 20.0, 0.6, 5), 20.0, 0.5, Resampling.bilinear)
    z[100:140, 100:160] += 5.0
    z[300:320, 200:260] += 3.0
    assert estimated([z], 0.5).resolves_m == pytest.approx(20.0, rel=0.35)


def test_real_ground_of_one_metre_is_told_as_such() -> None:
    with Terrain(DATA / "floodplain_1m.tif", CRS("EPSG:32139")) as terrain:
        site = geotools.open_site(DATA / "floodplain.toml")
        found = survey_quality(site, terrain)
        assert terrain.cell_m <= found.resolves_m <= 2.0


def test_real_ground_resampled_is_not_taken_for_fine() -> None:
    with rasterio.open(DATA / "floodplain_1m.tif") as raster:
        z = raster.read(1).astype(float)
    coarse = z[: 400 // 8 * 8, : 400 // 8 * 8].reshape(50, 8, 50, 8).mean(axis=(1, 3))
    for how in (Resampling.nearest, Resampling.bilinear, Resampling.cubic):
        found = estimated([resampled(coarse, 8.0, 0.5, how)], 0.5)
        assert found.resolves_m == pytest.approx(8.0, rel=0.4), how.name


def test_fine_ground_is_as_fine_as_its_cells() -> None:
    assert estimated([rough(512, 0.25, 0.6, 2)], 0.25).resolves_m == 0.25
    site = geotools.open_site(demo_folder() / "site.toml")
    with Terrain(demo_folder() / "terrain.tif", UTM) as terrain:
        assert survey_quality(site, terrain).resolves_m <= 2 * terrain.cell_m


def test_even_ground_tells_nothing_and_the_cell_is_taken() -> None:
    found = estimated([np.full((200, 200), 250.0)], 0.5)
    assert (found.resolves_m, found.origin) == (0.5, "cell")


@pytest.mark.parametrize(("step", "found"), [(1.0, 1.0), (0.1, 0.1), (0.3048, 0.3048)])
def test_rounded_heights_are_noticed(step: float, found: float) -> None:
    z = rough(256, 0.5, 0.6, 4)
    assert height_step([np.float32(np.rint(z / step) * step).astype(float)]) == found
    assert height_step([np.float32(z).astype(float)]) is None


def test_points_ten_metres_apart_are_still_known_after_gridding_and_resampling(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    ground = rough(512, 0.5, 0.5, 9)
    xy = rng.uniform(0.0, 250.0, (625, 2))
    z = ground[(xy[:, 1] / 0.5).astype(int), (xy[:, 0] / 0.5).astype(int)]
    rows = [f"{500_000 + x:.3f},{5_400_000 + y:.3f},{h:.3f}" for (x, y), h in zip(xy, z, strict=True)]
    (tmp_path / "points.csv").write_text("\n".join(["x,y,z", *rows]))
    made = CliRunner().invoke(
        cli,
        ["terrain", str(tmp_path / "points.csv"), "-o", str(tmp_path / "t.tif"), "--crs", "EPSG:32632",
         "--accuracy", "0.04", "--reach", "30"],
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    write_fence(tmp_path / "fence.geojson", [line(((30, 100), (200, 110)))])
    (tmp_path / "site.toml").write_text('name = "a"\n[input]\nfence = "fence.geojson"\nterrain = "t.tif"\n')
    site = geotools.open_site(tmp_path / "site.toml")
    with Terrain(tmp_path / "t.tif", UTM) as terrain:
        said = survey_quality(site, terrain)
        tags = terrain.tags
    # 625 points on 250 m x 250 m are 10 m apart; scattered points resolve one and a half spacings
    assert said.spacing_m == pytest.approx(10.0, rel=0.05)
    assert said.resolves_m == pytest.approx(15.0, rel=0.05)
    assert (said.origin, said.accuracy_m, said.method, said.kind) == ("metadata", 0.04, "points", "ground")
    assert said.shortest_dip_m == pytest.approx(30.0, rel=0.05)
    # whoever strips the metadata is found out by the heights: triangles of points 10 m apart
    with rasterio.open(tmp_path / "t.tif") as raster:
        z, nodata, place = raster.read(1), raster.nodata, raster.transform
    write_raster(tmp_path / "bare.tif", z, left=place.c, top=place.f, cell=0.25, nodata=nodata)
    with Terrain(tmp_path / "bare.tif", UTM) as terrain:
        shown = survey_quality(site, terrain)
        assert contradiction(site, terrain, ()) is None
    assert shown.origin == "estimated"
    assert 6.0 < shown.resolves_m < 16.0
    # a coarser grid resolves no more than its cells
    assert from_tags(tags, 40.0).resolves_m == 40.0


def test_what_the_site_file_states_wins_and_is_doubted(tmp_path: Path) -> None:
    z = resampled(rough(64, 20.0, 0.6, 5), 20.0, 0.5, Resampling.bilinear).astype(np.float32)
    write_raster(tmp_path / "t.tif", z, cell=0.5, top=5_400_256.0)
    (tmp_path / "site.toml").write_text(
        'name = "a"\n[input]\nfence = "f"\nterrain = "t.tif"\nresolution_m = 0.5\nvertical_accuracy_m = 0.07\n'
    )
    site = geotools.open_site(tmp_path / "site.toml")
    with Terrain(tmp_path / "t.tif", UTM) as terrain:
        found = survey_quality(site, terrain)
        assert (found.resolves_m, found.origin, found.accuracy_m) == (0.5, "stated", 0.07)
        assert "input.resolution_m" in str(contradiction(site, terrain, ()))


def profile(count: int, power: float, rng: np.random.Generator) -> np.ndarray:
    k = np.fft.rfftfreq(16 * count)
    k[0] = 1.0
    wave = k ** -(power + 0.5) * (rng.normal(size=k.size) + 1j * rng.normal(size=k.size))
    wave[0] = 0.0
    z = np.fft.irfft(wave, 16 * count)[:count]
    return z * 0.15 / np.sqrt(np.mean((z[200:] - z[:-200]) ** 2))


@pytest.mark.parametrize("resolves", [3.0, 10.0, 20.0])
def test_deepest_hidden_dip_of_known_ground_is_within_what_could_hide(resolves: float) -> None:
    """Ground of which everything is known, surveyed at points so far apart: the truth against the estimate."""
    kept, _ = trials(resolves, 1000, 200)
    assert np.mean(kept) >= 0.95


@pytest.mark.parametrize("resolves", [3.0, 10.0, 20.0])
def test_on_a_kilometre_of_ground_it_is_a_figure_that_means_something(resolves: float) -> None:
    kept, ratio = trials(resolves, 10_000, 60)
    assert np.mean(kept) >= 0.95
    assert np.median(ratio) < 4.0


def trials(resolves: float, count: int, times: int) -> tuple[list[bool], list[float]]:
    """Whether what was told covers the deepest hidden dip, and how many times it; on grounds of ``count`` heights."""
    rng, cell, body = np.random.default_rng(11), 0.1, 1.7
    half, every = int(body / 2 / cell), int(resolves / cell)
    kept, ratio = [], []
    for _ in range(times):
        truth = profile(count, 0.5, rng)
        nodes = np.arange(rng.integers(every), count, every)
        seen = np.interp(np.arange(count), nodes, truth[nodes])
        unseen = (truth - seen)[nodes[0] : nodes[-1]]
        deepest = ((unseen[2 * half :] + unseen[: -2 * half]) / 2 - unseen[half:-half]).max()
        ground = roughness_of(seen[nodes[0] : nodes[-1]], cell, resolves)
        said = could_hide(SurveyQuality(resolves, "stated"), ground, body)
        kept.append(said >= deepest)
        ratio.append(said / deepest)
    return kept, ratio


def test_nothing_hides_where_the_survey_shows_it_or_the_ground_is_even() -> None:
    rng = np.random.default_rng(1)
    ground = roughness_of(profile(1000, 0.5, rng), 0.1, 10.0)
    assert could_hide(SurveyQuality(0.85, "stated"), ground, 1.7) == 0.0
    assert shortest_dip(0.85) == 1.7
    flat = roughness_of(np.full(1000, 3.0), 0.1, 10.0)
    assert could_hide(SurveyQuality(10.0, "stated"), flat, 1.7) == 0.0
    deeper = [could_hide(SurveyQuality(10.0, "stated"), ground, body) for body in (0.5, 1.7, 5.0)]
    assert deeper == sorted(deeper)
    assert deeper[0] > 0.0
