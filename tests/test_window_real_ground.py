"""A window that real ground leaves empty, opened by what the step advises: taken by hand, and run again."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import geopandas as gpd
import pytest

import geotools

DATA = Path(__file__).parent / "data"


def layer(out: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(out / "plan.gpkg", layer=name)


def test_heads_set_as_advised_open_the_empty_window_of_the_floodplain(tmp_path: Path) -> None:
    """One zone stands low over its ground: moving grass is stronger there than the weakest crawler.

    The one place where the whole way is walked on ground that nobody shaped for it.
    """
    for path in DATA.glob("floodplain*"):
        shutil.copy(path, tmp_path)
    site_file, out = tmp_path / "floodplain.toml", tmp_path / "out"
    # few worlds: what is looked at is the best estimate
    site_file.write_text(site_file.read_text("utf-8") + "\n[survey]\ndraws = 8\n", "utf-8")
    site = geotools.open_site(site_file)
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, out)
    geotools.run_step("gaps", site, out, uncertainty=False)
    geotools.run_step("window", site, out)
    windows = layer(out, "operating_windows").set_index("zone_id")
    (zone_id,) = windows.index[windows["state"] == "empty"]
    before = windows.loc[zone_id]
    assert before["must_not"] >= before["must"]
    options = layer(out, "window_options")
    (advice,) = options[(options["zone_id"] == zone_id) & options["recommended"].astype(bool)].itertuples()
    assert advice.option == "set_heads" and advice.cost == 240.0
    level, tx_m, rx_m = re.match(r"set both (\w+) heads to ([\d.]+) and ([\d.]+) m", advice.words).groups()

    beams = layer(out, "beams")
    mine = (beams["zone_id"] == zone_id) & (beams["level"] == level)
    beams.loc[mine, ["tx_height_m", "rx_height_m"]] = [float(tx_m), float(rx_m)]
    beams.to_file(out / "plan.gpkg", layer="beams", driver="GPKG")
    geotools.run_step("gaps", site, out, overwrite=True, uncertainty=False)
    geotools.run_step("window", site, out, overwrite=True, openings=False)
    after = layer(out, "operating_windows").set_index("zone_id").loc[zone_id]
    assert after["state"] != "empty"
    assert after["must"] == pytest.approx(advice.must, abs=1e-6)
    assert after["must_not"] == pytest.approx(advice.must_not, abs=1e-6)
    assert after["must"] > after["must_not_high"]
