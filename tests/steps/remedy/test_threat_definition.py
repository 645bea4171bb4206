"""Advice names what the threat it closes is taken to be."""

from __future__ import annotations

import geopandas as gpd
import pytest

import geotools

ADDED = '[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = 0.91\nmin_height_m = 0.5\n'


@pytest.mark.parametrize("height", [3.4])
def test_advice_about_a_bridge_says_over_which_height(make_site, tmp_path, height):
    toml = f'[layout]\nside = "left"\nsetback_m = 4.0\n[survey]\ndraws = 0\n{ADDED}'
    site_file = make_site(
        points=((10.0, 50.0), (90.0, 50.0)), threats=f'["bridge"]\nfence_height_m = {height}', toml=toml
    )
    out = tmp_path / "out"
    for step in ("inspect", "layout", "gaps", "remedy"):
        geotools.run_step(step, geotools.open_site(site_file), out)
    advice = gpd.read_file(out / "plan.gpkg", layer="advice")
    said = f"bridge: 0.50 m high, 0.50 m wide, underside {height:.2f} m up, the fence's height"
    assert len(advice)
    assert set(advice.threat_definition) == {said}
    # a head at the fence's top is on offer, and sees who comes over it
    assert advice.clear.all()
