"""Works as a machine can make them, measured on the design raster by an image library."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
from scipy import ndimage

from geotools.detection.chains import perimeter_of
from geotools.earthwork.from_plan import design_of
from geotools.engine.runner import Job
from geotools.plan.schema import WATER_CROSSINGS
from geotools.site import open_site
from tests.evidence.swales import SWALES
from tests.evidence.works import Rained


@pytest.mark.parametrize("name", ["demonstration", SWALES[5].name])
def test_no_crumbs_no_skins_and_nothing_narrower_than_the_machine(
    name: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    if name == "demonstration":
        shutil.copytree(request.getfixturevalue("remedied"), tmp_path, dirs_exist_ok=True)
        site_file = tmp_path / "input" / "site.toml"
    else:
        site_file = SWALES[5].write(tmp_path / "site")
        with Job(open_site(site_file), tmp_path / "out") as job:
            for step in ("inspect", "layout", "gaps", "remedy"):
                job.run(step)
    site = open_site(site_file)
    with rasterio.open(tmp_path / "out" / "cut_fill.tif") as raster:
        change, cell = np.nan_to_num(raster.read(1, masked=True).filled(0.0)), raster.transform.a
    worked = np.abs(change) > 1e-3
    assert worked.sum() * cell**2 > 10.0
    limits = site.grading
    # thinnest: the least lift, and no less than what the survey is good for
    least = max(limits.least_lift_m, site.input.vertical_accuracy_m or 0.0)
    assert np.abs(change[worked]).min() >= least - 1e-4
    # narrowest: every worked cell lies in a square of the least width that is worked whole
    side = int(np.ceil(limits.least_width_m / cell - 1e-9))
    np.testing.assert_array_equal(ndimage.binary_opening(worked, np.ones((side, side))), worked)
    # no crumbs, few pieces
    labels, pieces = ndimage.label(worked, np.ones((3, 3)))
    areas = ndimage.sum_labels(worked, labels, np.arange(1, pieces + 1)) * cell**2
    assert areas.min() >= limits.least_width_m**2 and pieces < 20
    # no way for water is built that is not needed: without any one of them water stands on the whole terrain
    with Job(open_site(site_file), tmp_path / "out", overwrite=True) as job:
        perimeter = perimeter_of(job.site, job.workspace.read, job.terrain)
        rained = Rained(job, design_of(job.site, perimeter, job.terrain, job.out, job.workspace.plan_crs))
        ways = job.workspace.read(WATER_CROSSINGS)
    assert len(ways) > 0
    assert rained.new_ponds(ways) == []
    for way in ways.crossing_id:
        assert rained.new_ponds(ways[ways.crossing_id != way]) != [], way
