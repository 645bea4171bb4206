"""Verdicts along both fences of a pair with beams between them. Red where the fence that the zones are not named after
is said to have no beam, though whoever crosses it crosses the beams."""

from __future__ import annotations

import geopandas as gpd
import pytest

import geotools
from tests.making import line, write_fence

OUTER = [(10, 10), (90, 10), (90, 90), (10, 90), (10, 10)]
INNER = [(17, 17), (83, 17), (83, 83), (17, 83), (17, 17)]


def test_both_fences_of_a_pair_have_the_verdicts_of_the_beams_between(make_site, tmp_path):
    site_file = make_site(threats='["walk"]', toml='[layout]\nside = "between"\n')
    write_fence(tmp_path / "fence.geojson", [line(OUTER), line(INNER)])
    site, out = geotools.open_site(site_file), tmp_path / "out"
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, out)
    gaps = geotools.run_step("gaps", site, out, uncertainty=False)
    verdicts = gpd.read_file(out / "plan.gpkg", layer="verdicts").query("threat == 'walk'")
    by_fence = (verdicts["to_m"] - verdicts["from_m"]).groupby(verdicts["fence_id"]).sum()
    assert by_fence.to_dict() == pytest.approx({"F01": 320.0, "F02": 264.0})
    assert "no_beam" not in set(verdicts["verdict"])
    assert not any("have no beam" in text for text in gaps.warnings)
    # named by the zones that answer for each place
    assert set(verdicts[verdicts["fence_id"] == "F02"]["zone_id"]) <= set(
        verdicts[verdicts["fence_id"] == "F01"]["zone_id"]
    )
