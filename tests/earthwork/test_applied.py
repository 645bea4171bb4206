"""A proposal made a site of its own: what is carried over, what is refused, and that its claims hold."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import rasterio

import geotools
from geotools.detection.chains import chains_of
from geotools.earthwork import applied
from geotools.earthwork.applied import apply_proposal
from geotools.earthwork.proposed_heads import planned_zones
from geotools.errors import GeotoolsError, OutputError, StepError
from geotools.site import parse_site
from geotools.site.written import as_set, site_file_text
from tests.evidence.applied import claims_of
from tests.evidence.applied_sites import Invented

SMALL = Invented(
    "Short yard",
    lambda x, y: -0.35 * np.exp(-(((x - 26.0) / 3.0) ** 2)) + 0.01 * y,
    (((10.0, 20.0), (62.0, 20.0)),),
    size=(75.0, 45.0),
    longest_m=40.0,
    threats=("crawl", "prone"),
    # heads that cost more than earth: ground is moved
    more='\n[grading]\nno_dig = "tank.geojson"\n\n[prices]\ncut_m3 = 18.5\nfill_m3 = 31.0\n'
    "set_head = 9000.0\nhead = 90000.0\npost = 90000.0\n",
)


@pytest.fixture(scope="module")
def advised(tmp_path_factory):
    """A small site with a remedy; its folder."""
    folder = tmp_path_factory.mktemp("advised")
    site_file = SMALL.write(folder / "site")
    gpd.GeoDataFrame(geometry=gpd.points_from_xy([500_070.0], [5_400_195.0]).buffer(1.0), crs="EPSG:32632").to_file(
        folder / "site" / "tank.geojson", driver="GeoJSON"
    )
    site = geotools.open_site(site_file)
    for step in ("inspect", "layout", "channels", "gaps", "remedy"):
        geotools.run_step(step, site, folder / "out")
    return folder


@pytest.fixture
def job(advised, tmp_path):
    shutil.copytree(advised, tmp_path / "job")
    return geotools.open_site(tmp_path / "job" / "site" / "site.toml"), tmp_path / "job" / "out"


def _layer(plan, name):
    return gpd.read_file(plan, layer=name)


def test_what_is_claimed_holds_when_it_is_applied_and_asked_again(job, tmp_path):
    site, out = job
    before = _layer(out / "plan.gpkg", "dead_spots")
    assert len(before), "the site has nothing to close: the test shows nothing"
    made = apply_proposal(site, out, tmp_path / "proposed")
    proposed = geotools.open_site(made.site_file)
    geotools.run_step("gaps", proposed, made.plan.parent)
    # what is not built yet is known to the tolerance of building: the change of level comes along
    assert proposed.input.works is not None
    with rasterio.open(proposed.path(proposed.input.works)) as works, rasterio.open(out / "cut_fill.tif") as given:
        assert np.nanmax(np.abs(works.read(1))) == np.nanmax(np.abs(given.read(1))) > 0.03
    found = claims_of("small", out / "plan.gpkg", made.plan)
    assert found.claimed and not found.broken and not found.opened


def test_heads_names_planes_channels_and_settings_are_carried_over(job, tmp_path):
    site, out = job
    made = apply_proposal(site, out, tmp_path / "proposed")
    proposed = geotools.open_site(made.site_file)
    was, told = (_layer(out / "plan.gpkg", name).set_index("head_id") for name in ("heads", "proposed_heads"))
    now = _layer(made.plan, "heads").set_index("head_id")
    assert sorted(now.index) == sorted(told.index) and len(now) == made.heads
    for name, row in now.iterrows():
        assert row.height_m == pytest.approx(told.height_m[name], abs=1e-9)
        assert row.geometry.distance(told.geometry[name]) < 1e-6
        assert row.geometry.z == pytest.approx(told.geometry[name].z, abs=1e-4)
        if name in was.index:
            assert (row.polarisation, row.channel) == (was.polarisation[name], was.channel[name])
    assert now.channel.notna().any()
    held = {"input", "name", "grading"}
    assert proposed.model_dump(exclude=held) == site.model_dump(exclude=held)
    assert proposed.name == "Short yard (proposed)"
    assert proposed.path(proposed.grading.no_dig) == tmp_path / "proposed/input/no_dig/tank.geojson"
    assert (tmp_path / "proposed/input/no_dig/tank.geojson").is_file()
    # nothing of the existing state is shown as an answer
    layers = set(gpd.list_layers(made.plan).name)
    assert not layers & {"dead_spots", "verdicts", "options", "advice", "proposed_heads"}


def test_what_is_locked_stays_locked_in_the_proposed_state(job):
    site, out = job
    zones, beams, fence, heads = (_layer(out / "plan.gpkg", name) for name in ("zones", "beams", "fence", "heads"))
    zones["locked"] = zones["zone_id"] == zones["zone_id"][0]
    heads["locked"] = "post"
    today = {zone.zone_id: zone for chain in chains_of(site, zones, beams, fence) for zone in chain.zones}
    level = SimpleNamespace(sample=lambda x, y: np.zeros(len(x)))
    planned = planned_zones(site, today, {}, heads, level)
    assert [zone.zone_id for zone in planned if zone.locked] == [zones["zone_id"][0]]
    assert {head.locked for zone in planned for head in zone.heads} == {"post"}


def test_the_ground_is_the_ground_as_designed(job, tmp_path):
    site, out = job
    made = apply_proposal(site, out, tmp_path / "proposed")
    with (
        rasterio.open(out / "cut_fill.tif") as change,
        rasterio.open(made.site_file.parent / "terrain.tif") as new,
        rasterio.open(site.folder / "terrain.tif") as old,
    ):
        moved = change.read(1)
        assert change.res == new.res == old.res
        r0, c0 = new.index(change.bounds.left + 0.25, change.bounds.top - 0.25)
        whole = np.zeros(new.shape)
        whole[r0 : r0 + moved.shape[0], c0 : c0 + moved.shape[1]] = np.nan_to_num(moved)
        assert np.abs(whole).max() > 0.03, "no ground is moved: the test shows nothing"
        assert np.abs(new.read(1) - old.read(1) - whole).max() < 1e-9


def test_a_later_layout_keeps_the_proposed_heads(job, tmp_path):
    site, out = job
    made = apply_proposal(site, out, tmp_path / "proposed")
    before = _layer(made.plan, "heads").set_index("head_id").height_m
    geotools.run_step("layout", geotools.open_site(made.site_file), made.plan.parent, overwrite=True)
    after = _layer(made.plan, "heads").set_index("head_id").height_m
    assert before.to_dict() == after.to_dict()


def test_without_a_proposal_it_says_what_to_run(job, tmp_path):
    site, _ = job
    bare = tmp_path / "bare"
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, bare)
    with pytest.raises(StepError, match=r"(?s)no proposal yet.*geotools remedy"):
        apply_proposal(site, bare, tmp_path / "proposed")
    assert not (tmp_path / "proposed").exists()


def test_a_stale_proposal_is_refused(job, tmp_path):
    site, out = job
    text = (site.folder / "site.toml").read_text("utf-8").replace("cut_m3 = 18.5", "cut_m3 = 40.0")
    changed = parse_site(text, site.folder / "site.toml")
    with pytest.raises(StepError, match=r"(?s)stale.*cut_m3.*geotools remedy"):
        apply_proposal(changed, out, tmp_path / "proposed")
    assert not (tmp_path / "proposed").exists()


def test_nothing_of_somebody_elses_is_replaced(job, tmp_path):
    site, out = job
    target = tmp_path / "proposed"
    target.mkdir()
    (target / "notes.txt").write_text("mine", "utf-8")
    for overwrite in (False, True):
        with pytest.raises(OutputError, match=r"(?s)something else.*notes\.txt"):
            apply_proposal(site, out, target, overwrite=overwrite)
    with pytest.raises(OutputError, match="something else"):
        apply_proposal(site, out, out, overwrite=True)
    (target / "notes.txt").unlink()
    apply_proposal(site, out, target)
    with pytest.raises(OutputError, match="--overwrite"):
        apply_proposal(site, out, target)
    (target / "out" / "dead").mkdir()
    apply_proposal(site, out, target, overwrite=True)
    assert not (target / "out" / "dead").exists()
    (target / "notes.txt").write_text("mine", "utf-8")
    with pytest.raises(OutputError, match=r"(?s)something else.*notes\.txt"):
        apply_proposal(site, out, target, overwrite=True)


@pytest.mark.parametrize("place", ["write_proposed", "_write_fence", "_write_plan"])
def test_where_it_fails_what_stood_there_stays(job, tmp_path, monkeypatch, place):
    site, out = job
    target = tmp_path / "there" / "proposed"
    apply_proposal(site, out, target)
    before = {p.name: p.stat().st_mtime_ns for p in target.rglob("*") if p.is_file()}

    def full(*_):
        raise OSError(28, "No space left on device")

    def refused(*_):
        raise OutputError("no room")

    monkeypatch.setattr(applied, place, full if place == "write_proposed" else refused)
    with pytest.raises(GeotoolsError):
        apply_proposal(site, out, target, overwrite=True)
    assert {p.name: p.stat().st_mtime_ns for p in target.rglob("*") if p.is_file()} == before
    assert [p.name for p in target.parent.iterdir()] == ["proposed"]
    with pytest.raises(GeotoolsError):
        apply_proposal(site, out, tmp_path / "new" / "proposed")
    assert not list((tmp_path / "new").iterdir())


def test_a_site_file_written_again_says_the_same():
    text = """
name = 'Yard "A" \\ north'
threats = ["crawl", "own goat"]
[input]
fence = "f.gpkg"
terrain = "t.tif"
[upkeep]
start = 2027-04-01
[targets."own goat"]
height_m = 0.6
width_m = 0.3
[[stack]]
level = "main"
head_type = "10 GHz"
height_m = 0.93
[[stack]]
level = "low"
head_type = "24 GHz"
height_m = 0.31
polarisation = "horizontal"
"""
    site = parse_site(text, Path("a/site.toml"))
    again = parse_site(site_file_text(as_set(site), "words"), Path("a/site.toml"))
    assert again == site and [level.height_m for level in again.stack] == [0.93, 0.31]


def test_a_second_proposal_keeps_the_works_of_the_first_and_the_ways_for_water(job, tmp_path):
    site, out = job
    first = apply_proposal(site, out, tmp_path / "first")
    again = geotools.open_site(first.site_file)
    for step in ("gaps", "remedy"):
        geotools.run_step(step, again, first.plan.parent)
    second = geotools.open_site(apply_proposal(again, first.plan.parent, tmp_path / "second").site_file)
    with rasterio.open(again.path(again.input.works)) as raster:
        one, at = raster.read(1, masked=True).filled(0.0), raster.transform
    with rasterio.open(second.path(second.input.works)) as raster:
        both = raster.read(1, masked=True).filled(0.0)
        with rasterio.open(first.plan.parent / "cut_fill.tif") as new:
            added = new.read(1, masked=True).filled(0.0)
    area = abs(at.a * at.e)
    assert np.nansum(np.abs(one)) * area > 0.5
    assert np.nansum(both) * area == pytest.approx((np.nansum(one) + np.nansum(added)) * area, abs=0.02)
    named = (again.input.waterways, second.input.waterways)
    crossings = len(_layer(out / "plan.gpkg", "water_crossings"))
    assert (named[0] is not None) == (crossings > 0)
