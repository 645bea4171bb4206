"""The remedy step on a whole site."""

from __future__ import annotations

import geopandas as gpd
import numpy as np

import geotools


def test_spots_of_the_hand_rule_are_answered_by_the_model_and_it_says_so(make_site, tmp_path):
    x = np.arange(100.0)
    dip = 250.0 - 0.25 * np.exp(-(((x - 45.0) / 4.0) ** 2))
    site = geotools.open_site(make_site(heights=np.tile(dip, (100, 1)).astype(np.float32)))
    out = tmp_path / "out"
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, out)
    geotools.run_step("gaps", site, out, method="straightness")
    by_rule = geotools.run_step("remedy", site, out)
    assert any("straight-edge check" in text for text in by_rule.warnings)
    options = gpd.read_file(out / "plan.gpkg", layer="options")
    filled = options[options["fill_m3"] > 0]
    assert len(filled) and not np.signbit(filled["cut_m3"]).any()

    geotools.run_step("gaps", site, out, overwrite=True)
    by_wave = geotools.run_step("remedy", site, out, overwrite=True)
    assert not any("straight-edge check" in text for text in by_wave.warnings)
