"""What the engineer may get wrong: each refusal says what, where and how to mend it, and leaves the plan as it was."""

import json

import numpy as np
import pytest
from shapely import box

from geotools.engine.runner import Job
from geotools.errors import InputError, SiteError, StepError
from geotools.plan.schema import ADVICE, EARTHWORKS, GRADINGS, OPTIONS
from geotools.site import open_site
from tests.making import write_raster
from tests.steps.grade.test_works_of_a_site import ground, site_in


@pytest.mark.parametrize(
    "extra, words",
    [
        ("[prices]\ncut_m3 = -1", "prices.cut_m3"),
        ("[prices]\nfill_m3 = 0", "prices.fill_m3"),
        ("[prices]\ndigging = 3", "prices.digging"),
        ("[grading]\nmin_fall = 0.2\nmax_slope = 0.1", "the slope limits contradict"),
        ("[grading]\nbalance = 9", "grading.balance"),
        (
            '[[stack]]\nlevel = "low"\nhead_type = "24 GHz"\nheight_m = 0.3\nmin_height_m = 0.5',
            "height limits of level",
        ),
    ],
)
def test_prices_and_limits_that_cannot_be(tmp_path, extra, words):
    with pytest.raises(SiteError) as caught:
        open_site(site_in(tmp_path, np.full((120, 240), 250.0, np.float32), extra))
    assert words in str(caught.value)


def ready(folder, extra="", heights=None):
    """A plan of the small site up to its options."""
    job = Job(
        open_site(site_in(folder, ground() if heights is None else heights, extra)), folder / "out", overwrite=True
    )
    for step in ("inspect", "layout", "gaps", "remedy"):
        job.run(step)
    return job


def polygon(x0, y0, x1, y1):
    ring = [[500_000 + x, 5_400_000 + y] for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))]
    return {"type": "Polygon", "coordinates": [ring]}


def write_areas(path, geometry, crs=True):
    data = {"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": geometry}]}
    data["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}} if crs else None
    path.write_text(json.dumps(data))


def test_missing_prices_are_said(tmp_path):
    with ready(tmp_path) as job:
        assert any("sets no prices" in w for w in job.outcomes[-1].warnings)


def test_no_dig_ground_is_left_alone(tmp_path):
    write_areas(tmp_path / "pipes.geojson", polygon(57, 20, 58.5, 45))
    with ready(tmp_path, '[grading]\nno_dig = "pipes.geojson"\n') as job:
        job.run("grade")
        works = job.workspace.read(EARTHWORKS)
    pipes = box(500_057, 5_400_020, 500_058.5, 5_400_045)
    assert len(works) and works.intersection(pipes).area.sum() < 1e-6


@pytest.mark.parametrize(
    "geometry, crs, words",
    [
        ({"type": "Point", "coordinates": [500_060, 5_400_030]}, True, "something else than areas"),
        (None, True, "features without geometry"),
    ],
)
def test_no_dig_file_that_cannot_be_used(tmp_path, geometry, crs, words):
    write_areas(tmp_path / "pipes.geojson", geometry, crs)
    with pytest.raises(InputError, match=words):
        ready(tmp_path, '[grading]\nno_dig = "pipes.geojson"\n')


def test_no_dig_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="no-dig file is not there"):
        ready(tmp_path, '[grading]\nno_dig = "pipes.geojson"\n')


def test_grading_and_drain_before_their_layers(tmp_path):
    with Job(open_site(site_in(tmp_path, ground())), tmp_path / "out") as job:
        job.run("inspect")
        job.run("layout")
        with pytest.raises(StepError, match="no such layer"):
            job.run("grade")
        job.run("drain")
        assert any("no design surface yet" in note for note in job.outcomes[-1].notes)


def test_as_built_refuses_what_it_cannot_compare(tmp_path):
    with ready(tmp_path) as job:
        with pytest.raises(StepError, match=r"no design surface|no such layer"):
            job.run("asbuilt", survey=tmp_path / "terrain.tif")
        job.run("grade")
        graded = job.workspace.read(GRADINGS)
        with pytest.raises(SiteError, match="survey was not named"):
            job.run("asbuilt")
        with pytest.raises(InputError, match="new survey is not there"):
            job.run("asbuilt", survey=tmp_path / "nowhere.tif")
        short = write_raster(tmp_path / "short.tif", ground()[:, :10], cell=0.5, top=5_400_060.0)
        with pytest.raises(InputError) as caught:
            job.run("asbuilt", survey=short)
        assert graded.zone_id.iloc[0] in str(caught.value)
        other = write_raster(job.out / "cut_fill.tif", np.zeros((10, 10), np.float32), cell=0.5)
        with pytest.raises(StepError, match="does not belong to this plan"):
            job.run("asbuilt", survey=tmp_path / "terrain.tif")
        assert other.exists()


def test_ground_too_steep_to_grade_is_declared_with_the_place(tmp_path):
    # a ditch 3 m deep across the strip: no batter of 1:3 comes up from it within the ground that may be worked
    x = np.mgrid[0:120, 0:240][1] * 0.5
    deep = (250 - 3.0 * (np.abs(x - 62) < 2)).astype(np.float32)
    with ready(tmp_path, heights=deep) as job:
        options, advice = job.workspace.read(OPTIONS), job.workspace.read(ADVICE)
        assert not options[options.option == "grade"].clear.any()
        bad = advice[advice.action == "none"]
        assert len(bad) and bad.reason.str.contains("zone F01-").all() and bad.reason.str.contains("chainage").all()
