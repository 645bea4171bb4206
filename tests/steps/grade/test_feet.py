"""The same works on a site whose map and heights count in US survey feet: files in feet, tables in metres."""

import csv
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pypdf
import pytest
import rasterio

from geotools.engine.runner import Job
from geotools.plan.schema import GRADING_POINTS, GRADINGS
from geotools.site import open_site
from tests.making import line, write_fence, write_raster
from tests.steps.grade.test_works_of_a_site import ground, site_in

#: US survey foot, exactly. NIST SP 811, appendix B.6.
FOOT = 1200 / 3937
CRS, LEFT, TOP = "EPSG:2277", 3_100_000.0, 10_000_000.0


def run(job: Job) -> Job:
    for step in ("inspect", "layout", "gaps", "remedy", "grade"):
        job.run(step)
    return job


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    metric, feet = tmp_path_factory.mktemp("metric"), tmp_path_factory.mktemp("feet")
    site_in(metric, ground())
    site = site_in(feet, ground(), "")
    write_raster(
        feet / "terrain.tif",
        (ground() / FOOT).astype(np.float32),
        crs=CRS,
        left=LEFT,
        top=TOP,
        cell=0.5 / FOOT,
        unit=None,
    )
    fence = [(8 / FOOT, 25 / FOOT), (108 / FOOT, 27 / FOOT)]
    write_fence(feet / "fence.geojson", [line(fence, left=LEFT, bottom=TOP - 60 / FOOT)], crs=CRS)
    text = site.read_text().replace("[layout]", 'vertical_unit = "US survey foot"\n[layout]')
    site.write_text(text)
    with Job(open_site(metric / "site.toml"), metric / "out") as a, Job(open_site(site), feet / "out") as b:
        yield run(a), run(b)


def test_the_earth_is_the_same(both):
    a, b = (job.workspace.read(GRADINGS).iloc[0] for job in both)
    # not to the last litre: cells of the two rasters do not fall on the same places of the fence to the micrometre
    for name in ("cut_grid_m3", "fill_grid_m3", "area_m2", "depth_max_m"):
        assert b[name] == pytest.approx(a[name], rel=0.05, abs=0.05), name


def test_files_count_in_feet_and_tables_in_metres(both):
    _, job = both
    units = ElementTree.parse(job.out / "earthworks.xml").find("{*}Units/{*}Imperial")
    assert units is not None and units.get("linearUnit") == "USSurveyFoot"
    drawing = ezdxf.readfile(job.out / "earthworks.dxf")
    assert drawing.header["$INSUNITS"] == 21  # US survey feet, DXF reference, header section
    points = job.workspace.read(GRADING_POINTS)
    rows = list(csv.DictReader((job.out / "grading_points.csv").open()))
    assert {row["map_unit"] for row in rows} == {"US survey foot"} and all(row["vertical_datum"] for row in rows)
    x, y = points.geometry.x.to_numpy(), points.geometry.y.to_numpy()
    np.testing.assert_allclose([float(r["easting"]) for r in rows], x / FOOT, atol=0.002)
    np.testing.assert_allclose([float(r["northing"]) for r in rows], y / FOOT, atol=0.002)
    np.testing.assert_allclose([float(r["design_m"]) for r in rows], points.design_m, atol=0.001)
    with rasterio.open(job.out / "design.tif") as raster:
        assert raster.crs.to_epsg() == 2277 and raster.res[0] == pytest.approx(0.5 / FOOT)
        design = raster.read(1)
        assert raster.units[0] == "m" and 240 < np.nanmean(design) < 260


def test_posts_stand_at_one_place_on_every_paper_in_the_maps_own_unit(both):
    _, job = both
    job.run("stakeout")
    job.run("walktest")
    job.run("commission")
    with (job.out / "stakeout_points.csv").open(newline="") as stream:
        posts = [(float(row["E"]), float(row["N"])) for row in csv.DictReader(stream)]
    for name in ("stacks.pdf", "commission.pdf"):
        text = " ".join("".join(page.extract_text() for page in pypdf.PdfReader(job.out / name).pages).split())
        assert posts and all(f"x {east:.2f} y {north:.2f} map units" in text for east, north in posts), name
    with (job.out / "walk_test.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["map_unit"] for row in rows} == {"US survey foot"}
    assert all("EPSG:2277" in row["coordinate_system"] for row in rows)
