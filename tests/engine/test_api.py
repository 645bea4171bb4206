"""The Python call: frames in, frames out, with what the command line computes."""

from __future__ import annotations

import copy
import gc
import pickle
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from geopandas.testing import assert_geodataframe_equal
from pandas.testing import assert_frame_equal
from shapely import LineString, Polygon, force_3d

import geotools
from geotools.engine.calls import missing_makers
from geotools.engine.step import get_step
from geotools.errors import GeotoolsError, InputError, OutputError, SiteError

CRS = "EPSG:32632"
CORNERS = ((500_020, 5_400_020), (500_080, 5_400_020), (500_080, 5_400_080), (500_020, 5_400_080), (500_020, 5_400_020))
SETTINGS = {"input": {"vertical_accuracy_m": 0.05}, "threats": ["crawl", "prone"]}
TRANSFORM = Affine(1, 0, 500_000, 0, -1, 5_400_100)

pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.GeotoolsWarning")


def ground() -> np.ndarray:
    """Flat at 250 m, with a ditch 0.4 m deep from south to north through the yard."""
    column = np.arange(100)
    dip = 0.4 * np.exp(-(((column - 47.0) / 3.0) ** 2))
    return np.tile(250.0 - dip, (100, 1))


def fence() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"kind": ["palisade"]}, geometry=[LineString(CORNERS)], crs=CRS)


def yard(**settings: object) -> geotools.Site:
    return geotools.Site.from_frames(fence(), (ground(), TRANSFORM, CRS), name="Yard", **{**SETTINGS, **settings})


@pytest.fixture(scope="module")
def site() -> geotools.Site:
    return yard()


@pytest.fixture(scope="module")
def plan(site: geotools.Site) -> geotools.Plan:
    return geotools.layout(site)


@pytest.fixture(scope="module")
def found(site: geotools.Site, plan: geotools.Plan) -> geotools.Plan:
    return geotools.gaps(site, plan)


@pytest.fixture
def private(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Where private folders are made, empty before."""
    place = tmp_path / "private"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    yield place


def test_layers_are_frames_and_rasters_are_arrays(found: geotools.Plan) -> None:
    assert isinstance(found.zones, gpd.GeoDataFrame)
    assert isinstance(found.beam_levels, pd.DataFrame)
    assert found.zones.crs == CRS
    assert "prone" in set(found.dead_spots["threat"])
    gap = found.crawl_gap
    assert gap.array.shape == (gap.count, *gap.shape)
    assert gap.crs == CRS
    left, bottom, right, top = gap.bounds
    west, south, east, north = found.zones.total_bounds
    assert left <= west < east <= right and bottom <= south < north <= top
    assert np.nanmax(gap.band(1).array) > 0.3  # the ditch


def test_a_layer_comes_before_a_raster_of_its_name(found: geotools.Plan) -> None:
    assert isinstance(found.corridor, gpd.GeoDataFrame)
    assert found.rasters["corridor"].names == ("best modulation: crawl", "best modulation: prone")


def test_the_call_answers_as_the_runner_does(found: geotools.Plan, site: geotools.Site, tmp_path: Path) -> None:
    for name in ("inspect", "layout", "gaps"):
        geotools.run_step(name, site, tmp_path / "job", overwrite=True)
    by_runner = geotools.open_plan(tmp_path / "job")
    assert_geodataframe_equal(found.dead_spots, by_runner.dead_spots)
    assert_frame_equal(found.beam_levels, by_runner.beam_levels)
    assert np.array_equal(found.crawl_gap.array, by_runner.crawl_gap.array, equal_nan=True)
    assert found.made == tuple(out.schema.name for out in get_step("gaps").outputs)


def test_a_terrain_file_and_an_array_are_the_same_ground(found: geotools.Plan, tmp_path: Path) -> None:
    file = geotools.Raster(ground(), TRANSFORM, CRS).to_file(tmp_path / "dtm.tif")
    fence().to_file(tmp_path / "fence.gpkg")
    site = geotools.Site.from_frames(tmp_path / "fence.gpkg", file, name="Yard", **SETTINGS)
    assert_geodataframe_equal(geotools.gaps(site).dead_spots, found.dead_spots)


def test_what_is_missing_is_made_first_and_told(site: geotools.Site) -> None:
    made = geotools.heights(site)
    assert "run first, for what this step reads: inspect, layout" in made.notes
    assert missing_makers(get_step("gaps"), {"fence"}) == ["layout"]
    assert missing_makers(get_step("gaps"), {"fence", "zones", "beams"}) == []


def test_edited_heads_are_input(site: geotools.Site, plan: geotools.Plan) -> None:
    """Each head gets a height of its own, so that a swap of ends or heads would show."""
    edited = plan.heads.copy()
    edited["height_m"] = [round(0.30 + 0.01 * k, 2) for k in range(len(edited))]
    wanted = edited.set_index("head_id")["height_m"]
    result = geotools.gaps(site, plan.with_layers(heads=edited))
    for beam in result.beams.itertuples():
        assert beam.tx_height_m == pytest.approx(wanted[beam.tx_head_id], abs=1e-9)
        assert beam.rx_height_m == pytest.approx(wanted[beam.rx_head_id], abs=1e-9)
    assert result.heads.set_index("head_id")["height_m"].to_dict() == wanted.to_dict()


def test_an_edit_in_place_counts_too_and_the_plan_given_stays(site: geotools.Site, plan: geotools.Plan) -> None:
    mine = plan.with_layers()
    mine.heads.loc[0, "height_m"] = 0.47
    head, before = mine.heads.loc[0, "head_id"], plan.heads.loc[0, "height_m"]
    assert mine.edited() == ("heads",) and plan.edited() == ()
    result = geotools.channels(site, mine)
    assert result.heads.set_index("head_id").loc[head, "height_m"] == 0.47
    assert plan.heads.loc[0, "height_m"] == before != 0.47


def test_an_edited_frame_in_another_system_is_brought_back(site: geotools.Site, plan: geotools.Plan) -> None:
    moved = plan.heads.to_crs("EPSG:4326")
    back = geotools.channels(site, plan.with_layers(heads=moved)).heads
    assert back.crs == CRS
    assert np.abs(back.geometry.x - plan.heads.geometry.x).max() < 1e-6
    assert np.abs(back.geometry.y - plan.heads.geometry.y).max() < 1e-6


def test_what_stands_on_an_edit_is_never_shown_as_an_answer(site: geotools.Site, found: geotools.Plan) -> None:
    searched = geotools.heights(site, found)
    assert searched.stale == ()
    edited = searched.heads.copy()
    edited["height_m"] += 0.11
    anew = geotools.gaps(site, searched.with_layers(heads=edited))
    assert "heights" in anew.stale and "gaps" not in anew.stale
    with pytest.warns(geotools.GeotoolsWarning, match="head_heights: out of date"):
        _ = anew.head_heights
    assert geotools.heights(site, anew).stale == ()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda heads: heads.drop(columns="height_m"), "height_m"),
        (lambda heads: heads.assign(height_m="tall"), "height_m"),
        (lambda heads: heads.assign(role="listener"), "transmitter, receiver"),
        (lambda heads: pd.concat([heads, heads]), "key is not unique"),
        (lambda heads: heads.set_crs(None, allow_override=True), "coordinate system"),
        (lambda heads: heads.assign(geometry=heads.geometry.buffer(1)), "PointZ"),
        (pd.DataFrame, "GeoDataFrame"),
    ],
    ids=["field gone", "no number", "no choice", "twice", "no system", "areas", "no frame"],
)
def test_a_frame_that_does_not_fit_is_refused_when_it_is_handed_in(plan: geotools.Plan, change, told: str) -> None:
    with pytest.raises(InputError) as refused:
        plan.with_layers(heads=change(plan.heads))
    assert told in str(refused.value) and "heads" in str(refused.value)
    with pytest.raises(InputError):
        plan.heads = change(plan.heads)


def test_fields_of_ones_own_do_no_harm(site: geotools.Site, plan: geotools.Plan) -> None:
    noted = plan.heads.assign(my_note="paint it")
    assert "my_note" not in geotools.channels(site, plan.with_layers(heads=noted)).heads


def test_names_that_are_not_there_say_who_makes_them(plan: geotools.Plan) -> None:
    with pytest.raises(AttributeError, match=r"geotools\.gaps makes it"):
        _ = plan.dead_spots
    with pytest.raises(AttributeError, match="no layer or raster named 'zoness'"):
        _ = plan.zoness
    with pytest.raises(InputError, match="no such layer"):
        plan.zoness = plan.zones
    assert {"zones", "heads", "files", "to_folder"} <= set(dir(plan))
    assert not hasattr(plan, "__wrapped__")


def test_warnings_are_of_the_line_that_called_and_can_be_filtered() -> None:
    unsure = yard(input={})  # no accuracy is stated
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        made = geotools.inspect(unsure)
    assert made.warnings
    assert [str(w.message) for w in caught] == [f"step inspect: {text}" for text in made.warnings]
    assert {w.category for w in caught} == {geotools.GeotoolsWarning}
    assert {w.filename for w in caught} == {__file__}
    assert caught[0].message.parts() == {"warning": made.warnings[0], "where": "step inspect"}  # type: ignore[union-attr]
    with warnings.catch_warnings():
        warnings.simplefilter("error", geotools.GeotoolsWarning)
        with pytest.raises(geotools.GeotoolsWarning, match="step inspect"):
            geotools.inspect(unsure)


def test_private_folders_go_with_what_held_them(private: Path) -> None:
    site = yard()
    made = geotools.inspect(site)
    assert len(list(private.iterdir())) == 2
    copied = copy.deepcopy(site)
    del site
    gc.collect()
    assert geotools.inspect(copied, made).layers == made.layers  # its fence is still there
    del copied, made
    gc.collect()
    assert list(private.iterdir()) == []


def test_a_call_that_fails_leaves_no_folder(private: Path, site: geotools.Site) -> None:
    far = fence().translate(5_000, 0)
    away = geotools.Site.from_frames(far, (ground(), TRANSFORM, CRS), **SETTINGS)
    before = set(private.iterdir())
    with pytest.raises(InputError, match="leaves the terrain"):
        geotools.layout(away)
    assert set(private.iterdir()) == before


def test_what_is_called_wrongly_is_refused_as_python_does(site: geotools.Site, plan: geotools.Plan) -> None:
    with pytest.raises(TypeError, match="methode"):
        geotools.gaps(site, plan, methode="wave")  # type: ignore[call-arg]
    with pytest.raises(TypeError, match="site"):
        geotools.gaps()  # type: ignore[call-arg]
    with pytest.raises(SiteError, match="wave, straightness"):
        geotools.gaps(site, plan, method="magic")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no site"):
        geotools.gaps("site.toml")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no plan"):
        geotools.gaps(site, "job")  # type: ignore[arg-type]
    with pytest.raises(AttributeError, match="gabs"):
        geotools.gabs(site)  # type: ignore[operator]


def test_a_plan_goes_to_a_folder_and_comes_back(site: geotools.Site, found: geotools.Plan, tmp_path: Path) -> None:
    mine = found.with_layers(beams=found.beams.assign(tx_height_m=found.beams["tx_height_m"] + 0.013))
    out = mine.to_folder(tmp_path / "job")
    assert (out / "plan.gpkg").is_file() and (out / "crawl_gap.tif").is_file()
    with pytest.raises(OutputError, match="overwrite=True"):
        found.to_folder(out)
    back = geotools.open_plan(out)
    assert_geodataframe_equal(back.beams, mine.beams)
    assert set(back.files) == set(found.files)
    assert np.array_equal(back.crawl_gap.array, found.crawl_gap.array, equal_nan=True)
    found.to_folder(out, overwrite=True)
    assert_geodataframe_equal(geotools.open_plan(out / "plan.gpkg").beams, found.beams)
    assert_geodataframe_equal(back.beams, mine.beams)  # what was read does not follow the folder
    file = found.to_gpkg(tmp_path / "sent.gpkg")
    assert_geodataframe_equal(geotools.open_plan(file).dead_spots, found.dead_spots)
    with pytest.raises(OutputError):
        found.to_gpkg(file)
    with pytest.raises(TypeError, match="to_folder"):
        pickle.dumps(found)


@pytest.mark.parametrize("content", [None, b"", b"SQLite format 3\x00 and nothing else", b"hello"])
def test_a_plan_that_is_none_is_refused(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "plan.gpkg").write_bytes(content)
    with pytest.raises(GeotoolsError):
        geotools.open_plan(tmp_path)


def test_names_in_a_strangers_plan_lead_nowhere_else(found: geotools.Plan, tmp_path: Path) -> None:
    secret = tmp_path / "secret.tif"
    secret.write_text("not yours")
    out = found.to_folder(tmp_path / "job")
    (out / "crawl_gap.tif").unlink()
    (out / "crawl_gap.tif").symlink_to(secret)
    import sqlite3

    with sqlite3.connect(out / "plan.gpkg") as db:
        db.execute("UPDATE provenance SET files = files || ' ../secret.tif ' || ? WHERE step = 'gaps'", (str(secret),))
    assert set(geotools.open_plan(out).files) == set(found.files) - {"crawl_gap.tif"}


def test_a_notebook_shows_layers_and_words_and_no_markup_of_others(found: geotools.Plan) -> None:
    shown = found._repr_html_()
    assert "Dead spots" in shown and str(len(found.dead_spots)) in shown and "crawl_gap.tif" in shown
    from geotools.engine.result import Plan, Said

    hostile = Plan(found._folder, found.crs, Said("gaps", (), {}, ("<script>alert(1)</script>",), ("<b>x",)))
    assert "<script>" not in hostile._repr_html_() and "<b>x" not in hostile._repr_html_()


def test_a_site_takes_shapes_series_and_frames(site: geotools.Site) -> None:
    ring = LineString(CORNERS)
    dtm = (ground(), TRANSFORM, CRS)
    as_shape = geotools.Site.from_frames(ring, dtm, input={"fence_crs": CRS})
    as_series = geotools.Site.from_frames(gpd.GeoSeries([ring], index=[7], crs=CRS), dtm)
    as_list = geotools.Site.from_frames([force_3d(ring)], geotools.Raster(*dtm), input={"fence_crs": CRS})
    lengths = [geotools.inspect(s).fence["length_m"].tolist() for s in (as_shape, as_series, as_list)]
    assert lengths == [[240.0]] * 3


def test_a_site_keeps_what_it_was_given() -> None:
    mine = fence()
    site = geotools.Site.from_frames(mine, (ground(), TRANSFORM, CRS), **SETTINGS)
    mine.loc[0, "geometry"] = LineString([(0, 0), (1, 1)])
    assert geotools.inspect(site).fence["length_m"].tolist() == [240.0]
    assert pickle.loads(pickle.dumps(site)).threats == ("crawl", "prone")


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"fence": fence().set_crs(None, allow_override=True)}, "coordinate system"),
        ({"fence": gpd.GeoSeries([Polygon(CORNERS)], crs=CRS)}, ".boundary"),
        ({"fence": gpd.GeoSeries([], crs=CRS)}, "no lines"),
        ({"fence": 7}, "GeoDataFrame"),
        ({"fence": "nowhere.gpkg"}, "nowhere.gpkg"),
        ({"dtm": ground()}, "(array, transform, crs)"),
        ({"dtm": (ground()[0], TRANSFORM, CRS)}, "(rows, columns)"),
        ({"dtm": (ground(), TRANSFORM, "EPSG:0")}, "EPSG:32614"),
        ({"threats": ["fly"]}, "fly"),
        ({"layout": {"setback": 4.0}}, "layout.setback"),
        ({"folder": "/"}, "folder"),
        ({"name": "bell\x07"}, "U+0007"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_site_that_cannot_be_is_refused(given: dict, told: str) -> None:
    whole = {"fence": fence(), "dtm": (ground(), TRANSFORM, CRS), **given}
    with pytest.raises((InputError, SiteError)) as refused:
        geotools.Site.from_frames(whole.pop("fence"), whole.pop("dtm"), **whole)
    assert told in str(refused.value)


def test_feet_come_back_in_the_plans_own_units() -> None:
    """A site in US survey feet: the frames count in feet as its map does, lengths in tables in metres."""
    foot = 1200 / 3937  # US survey foot, exactly, in metres
    feet = "EPSG:2277"  # Texas Central, US survey feet (EPSG registry)
    x, y = 3_100_000.0, 10_000_000.0
    ring = LineString([(x, y), (x + 200, y), (x + 200, y + 200), (x, y + 200), (x, y)])
    dtm = (np.full((120, 120), 250.0), Affine(3, 0, x - 80, 0, -3, y + 280), feet)
    site = geotools.Site.from_frames(gpd.GeoSeries([ring], crs=feet), dtm, input={"vertical_unit": "metre"})
    plan = geotools.layout(site)
    assert plan.fence.crs == feet and plan.fence.length.tolist() == pytest.approx([800.0], abs=1e-3)
    assert plan.fence["length_m"].tolist() == pytest.approx([800.0 * foot], abs=1e-3)
    edited = plan.heads.copy()
    edited.loc[0, "height_m"] += 0.07
    back = geotools.channels(site, plan.with_layers(heads=edited)).heads
    assert np.abs(back.geometry.x - plan.heads.geometry.x).max() < 1e-5


def test_what_is_recommended_becomes_a_site_of_its_own(
    site: geotools.Site, found: geotools.Plan, private: Path
) -> None:
    advised = geotools.remedy(site, found)
    proposed = geotools.apply(site, advised)
    assert "dead_spots" not in proposed.plan and "dead_spots" in advised
    after = geotools.gaps(proposed.site, proposed.plan)
    prone = found.dead_spots[found.dead_spots["threat"] == "prone"]
    assert prone["length_m"].sum() > 0.0
    assert after.dead_spots["length_m"].sum() < found.dead_spots["length_m"].sum()
    del proposed, after, advised
    gc.collect()
    assert list(private.iterdir()) == []
