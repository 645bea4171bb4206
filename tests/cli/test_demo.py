"""The demonstration site is the one its maker makes, and the command runs it from any folder."""

from __future__ import annotations

import os
import re
import runpy
import shutil
from pathlib import Path

import numpy as np
import rasterio
from click.testing import CliRunner

from geotools.cli import cli
from geotools.cli.demo import FILES, MADE, SITES, demo_folder, place_demo_input
from geotools.cli.demo_sites import MADE_SITES, write_made_site
from geotools.site import open_site


def test_demo_data_are_what_their_maker_makes(tmp_path: Path) -> None:
    shutil.copy(demo_folder() / "make_demo.py", tmp_path)
    runpy.run_path(str(tmp_path / "make_demo.py"), run_name="__main__")
    assert (tmp_path / "fence.geojson").read_text() == (demo_folder() / "fence.geojson").read_text()
    with rasterio.open(tmp_path / "terrain.tif") as made, rasterio.open(demo_folder() / "terrain.tif") as kept:
        assert made.profile == kept.profile
        # another processor may round the last bit of a float: heights are kept in whole millimetres
        assert np.abs(made.read(1) - kept.read(1)).max() <= 0.0011


def test_demo_copies_its_input_and_keeps_an_older_plan(tmp_path: Path) -> None:
    out = tmp_path / "some where"
    assert CliRunner().invoke(cli, ["demo", "--out", str(out), "--dry-run"]).exit_code == 0
    assert not out.exists()
    place_demo_input(out, overwrite=False)
    assert sorted(p.name for p in (out / "input").iterdir()) == sorted(FILES)
    if os.name == "posix":
        assert out.stat().st_mode & 0o777 == 0o700, "others can list what a run leaves there"
    (out / "plan.gpkg").write_bytes(b"older")
    again = CliRunner().invoke(cli, ["demo", "--out", str(out)])
    assert again.exit_code == 6
    assert "--overwrite" in again.stderr
    assert (out / "plan.gpkg").read_bytes() == b"older"


def test_input_alone_is_placed_with_what_to_do_next(tmp_path: Path) -> None:
    for name, files in (SITES | {"l-yard": MADE["l-yard"]}).items():
        out = tmp_path / name
        done = CliRunner().invoke(cli, ["demo", "--site", name, "--input-only", "--out", str(out)])
        assert done.exit_code == 0, done.output
        assert sorted(p.name for p in out.rglob("*") if p.is_file()) == sorted(["site.toml", *files[1:]])
        assert f"geotools run {out / 'input' / 'site.toml'}" in done.output
        assert open_site(out / "input" / "site.toml").threats == ("walk", "crawl", "prone")


def test_real_ground_comes_with_its_licence() -> None:
    held = {
        file
        for file in SITES["floodplain"]
        if "Permission is hereby granted" in (demo_folder("floodplain") / file).read_text("utf-8", "replace")
    }
    assert held == {"LICENSE-scrollstats"}


def test_a_site_that_is_made_is_the_same_each_time_and_says_that_it_is_invented(tmp_path: Path) -> None:
    assert set(MADE) == set(MADE_SITES)
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        assert tuple(write_made_site("double-fence", tmp_path / folder)) == MADE["double-fence"]
    for file in MADE["double-fence"]:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    assert "It is invented." in (tmp_path / "one" / "site.toml").read_text()
    with rasterio.open(tmp_path / "one" / "terrain.tif") as raster:
        heights, x, y = raster.read(1), *(raster.xy(0, 0))
    # the lower left corner is the site's; 0.5 m cells; the ditch of half a metre lies where it is declared
    assert (x, y) == (512_000.25, 5_404_149.75) and heights.shape == (300, 400)
    row, ditch = lambda north: round((150 - north) / 0.5 - 0.5), 80
    across = heights[row(ditch + 8), 48] + heights[row(ditch - 8), 48] - 2 * heights[row(ditch), 48]
    assert 0.40 < across / 2 < 0.60


def test_a_demonstration_ends_with_the_step_that_is_named(tmp_path: Path) -> None:
    words = ["demo", "--site", "hilly", "--out", str(tmp_path / "out")]
    dry = CliRunner().invoke(cli, [*words, "--until", "layout", "--dry-run", "--json"])
    assert dry.exit_code == 0 and not (tmp_path / "out").exists()
    assert re.findall(r'"step": "(\w+)"', dry.output) == ["inspect", "layout"]
    wrong = CliRunner().invoke(cli, [*words, "--until", "asbuilt"])
    assert wrong.exit_code == 4 and "--until" in wrong.stderr and "gaps" in wrong.stderr
    assert not (tmp_path / "out").exists()
