"""Every layer answers to what it was made from, or says that it does not; and what a person edited is input."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

import geotools
from geotools.cli import cli
from geotools.engine import runner
from geotools.engine.freshness import FileCodes, job_states
from geotools.engine.runner import Job, run_site
from geotools.errors import OutputError, StepError
from tests.making import write_site
from tests.shared import made_once

STEPS = ["inspect", "layout", "channels", "stakeout"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with layout, channels and stakeout made; copy before changing."""

    def make(folder: Path) -> None:
        site = write_site(folder, toml="[channels]\nprotection_db = 21.5\n")
        run_site(geotools.open_site(site), folder / "out", steps=STEPS)

    return made_once(tmp_path_factory, "fresh_job", make)


@pytest.fixture
def job(made: Path, tmp_path: Path) -> tuple[Path, Path]:
    """A copy of it for the test alone: site file and output folder."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path / "site.toml", tmp_path / "out"


def states(site: Path, out: Path) -> dict[str, tuple[str, list[str]]]:
    return {s.name: (s.state, s.causes) for s in job_states(geotools.open_site(site), out)}


def edit(out: Path, change: str, layer: str = "heads") -> int:
    """An edit as a GIS makes it: the rest of the file stays as it is."""
    with closing(sqlite3.connect(out / "plan.gpkg")) as db, db:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            db.create_function(name, 1, lambda shape: None)
        return db.execute(change.format(layer)).rowcount


def layer(out: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(out / "plan.gpkg", layer=name)


def again(site: Path, out: Path, **how: object) -> list[str]:
    return [o.step for o in run_site(geotools.open_site(site), out, steps=STEPS, **how)]


def test_nothing_is_stale_after_a_run_and_resume_does_nothing(job):
    site, out = job
    assert {state for state, _ in states(site, out).values()} == {"current", "missing"}
    assert again(site, out, resume=True) == []


def test_a_changed_setting_names_itself_and_only_its_readers_are_stale(job):
    site, out = job
    site.write_text(site.read_text().replace("21.5", "33.25"))
    found = states(site, out)
    assert found["fence"] == ("current", [])
    assert found["zones"][0] == "current"
    state, causes = found["stakeout"]
    assert state == "stale" and "channels" in causes[0]
    assert "channels.protection_db 21.50 -> 33.25" in found["heads"][1]


#: What a desktop GIS writes beside a raster that it shows.
SHOWN = """<PAMDataset>
  <PAMRasterBand band="1">
    <Description>ground height</Description>
    <Histograms><HistItem><HistMin>311</HistMin><HistCounts>1|2</HistCounts></HistItem></Histograms>
    {}<Metadata>
      <MDI key="STATISTICS_MAXIMUM">315.6</MDI>
      <MDI key="STATISTICS_VALID_PERCENT">100</MDI>
    </Metadata>
  </PAMRasterBand>
</PAMDataset>
"""


def test_terrain_that_a_gis_has_shown_is_the_same_terrain(job):
    site, out = job
    (terrain,) = site.parent.glob("*.tif")
    beside = terrain.with_name(terrain.name + ".aux.xml")
    beside.write_text(SHOWN.format(""))
    assert {state for state, _ in states(site, out).values()} == {"current", "missing"}
    assert again(site, out, resume=True) == []
    # a file that says something of the heights counts, and counts the same once the raster was shown
    plain = "<PAMDataset><PAMRasterBand band='1'><Scale>2</Scale></PAMRasterBand></PAMDataset>"
    beside.write_text(plain)
    assert states(site, out)["fence"][0] == "stale"
    code = FileCodes(site.parent).code(terrain.name)
    beside.write_text(SHOWN.format("<Scale>2</Scale>"))
    assert FileCodes(site.parent).code(terrain.name) == code


def test_another_recipient_makes_paper_stale_and_no_layer(job):
    site, out = job
    site.write_text(site.read_text() + '[sheets]\nrecipient = "Ada Example"\n')
    found = states(site, out)
    assert {"fence", "zones", "heads", "stakeout"} <= {name for name, (state, _) in found.items() if state == "current"}
    assert found["stacks.pdf"] == ("stale", ['sheets.recipient "" -> "Ada Example"'])
    with Job(geotools.open_site(site), out, overwrite=True, update=False) as kept:
        kept.run("gaps")  # stands on layers alone: nothing has to be made anew for it
        assert [outcome.step for outcome in kept.outcomes] == ["gaps"]
    assert "stakeout" in again(site, out, resume=True)
    pages = [page.extract_text() for page in PdfReader(out / "stacks.pdf").pages]
    assert pages and all("Ada Example" in page for page in pages)
    assert again(site, out, resume=True) == []


def test_raised_heads_make_what_stands_on_them_stale_and_resume_follows(job):
    site, out = job
    before = layer(out, "heads").set_index("head_id").height_m
    count = edit(out, "UPDATE {} SET height_m = height_m + 0.6 WHERE zone_id = 'F01-Z001'")
    found = states(site, out)
    assert found["heads"][0] == "edited"
    assert found["stakeout"][0] == "stale"
    assert f"heads edited ({count} changed)" in found["stakeout"][1]
    assert again(site, out, resume=True) == ["layout", "channels", "stakeout"]
    raised = layer(out, "heads").set_index("head_id")
    change = raised.height_m - before
    assert change[raised.zone_id == "F01-Z001"].tolist() == pytest.approx([0.6] * count)
    assert change[raised.zone_id != "F01-Z001"].abs().max() == 0
    beams = layer(out, "beams").set_index("tx_head_id")
    assert beams.tx_height_m.to_dict() == pytest.approx(raised.height_m[beams.index].to_dict())
    sheet = layer(out, "stakeout").set_index("head_id")
    assert sheet.height_m.to_dict() == pytest.approx(raised.height_m.to_dict())
    assert again(site, out, resume=True) == []


def test_deleted_heads_take_their_beams_along_and_the_zone_stays_listed(job):
    site, out = job
    zones, beams = layer(out, "zones"), layer(out, "beams")
    assert edit(out, "DELETE FROM {} WHERE zone_id = 'F01-Z002'") > 0
    again(site, out, resume=True)
    assert layer(out, "zones").zone_id.tolist().count("F01-Z002") == 1
    assert set(layer(out, "zones").zone_id) == set(zones.zone_id)
    assert set(layer(out, "beams").beam_id) == set(beams[beams.zone_id != "F01-Z002"].beam_id)
    assert "zone without a beam" in set(layer(out, "conflicts").rule)
    assert "F01-Z002" not in set(layer(out, "stakeout").zone_id)


def test_a_deleted_zone_stays_deleted_with_its_heads(job):
    site, out = job
    edit(out, "DELETE FROM {} WHERE zone_id = 'F01-Z002'", "zones")
    again(site, out, resume=True)
    for name in ("zones", "heads", "beams", "stakeout"):
        assert "F01-Z002" not in set(layer(out, name).zone_id), name


def test_one_deleted_head_leaves_its_partner_standing_without_a_beam(job):
    site, out = job
    gone = layer(out, "beams").iloc[0]
    edit(out, f"DELETE FROM {{}} WHERE head_id = '{gone.rx_head_id}'")
    again(site, out, resume=True)
    assert gone.beam_id not in set(layer(out, "beams").beam_id)
    assert gone.tx_head_id in set(layer(out, "heads").head_id)
    assert gone.tx_head_id not in set(layer(out, "stakeout").head_id)


def test_heights_of_edited_beams_count_where_the_heads_were_left_alone(job):
    site, out = job
    beam = layer(out, "beams").iloc[0]
    edit(out, f"UPDATE {{}} SET tx_height_m = 1.31, rx_height_m = 1.47 WHERE beam_id = '{beam.beam_id}'", "beams")
    done = run_site(geotools.open_site(site), out, steps=STEPS, resume=True)
    heads = layer(out, "heads").set_index("head_id").height_m
    assert (heads[beam.tx_head_id], heads[beam.rx_head_id]) == pytest.approx((1.31, 1.47))
    assert any("heights taken from the edited beams" in text for o in done for text in o.warnings)


def test_edits_outlive_overwriting_until_a_new_design_is_asked_for(job):
    site, out = job
    designed = layer(out, "heads").set_index("head_id").height_m
    count = edit(out, "UPDATE {} SET height_m = 1.77 WHERE zone_id = 'F01-Z001'")
    for _ in range(2):
        again(site, out, overwrite=True)
        heads = layer(out, "heads").set_index("head_id")
        assert (heads.height_m[heads.zone_id == "F01-Z001"] == 1.77).all()
    done = run_site(geotools.open_site(site), out, steps=STEPS, overwrite=True, redesign=True)
    assert layer(out, "heads").set_index("head_id").height_m.to_dict() == designed.to_dict()
    assert any(f"{count} at another height" in text for o in done for text in o.warnings)


def test_a_step_brings_stale_layers_up_to_date_first_or_refuses(job):
    site, out = job
    edit(out, "UPDATE {} SET height_m = height_m + 0.11")
    before = (out / "stakeout.csv").read_bytes()
    with (
        Job(geotools.open_site(site), out, overwrite=True, update=False) as held,
        pytest.raises(StepError, match="stale") as problem,
    ):
        held.run("stakeout")
    assert "layout" in str(problem.value) and "heads edited" in str(problem.value)
    assert (out / "stakeout.csv").read_bytes() == before
    with Job(geotools.open_site(site), out, overwrite=True) as held:
        held.run("stakeout")
        assert [o.step for o in held.outcomes] == ["layout", "channels", "stakeout"]


def test_an_edit_while_a_step_runs_ends_it_with_nothing_written(job, monkeypatch):
    site, out = job
    real = runner.run_step

    def edited_meanwhile(step, ctx):
        result = real(step, ctx)
        edit(out, "UPDATE {} SET height_m = height_m + 0.2 WHERE zone_id = 'F01-Z001'")
        return result

    monkeypatch.setattr(runner, "run_step", edited_meanwhile)
    sheet = (out / "stakeout.csv").read_bytes()
    rows = layer(out, "stakeout").height_m.tolist()
    with (
        Job(geotools.open_site(site), out, overwrite=True) as held,
        pytest.raises(OutputError, match="changed while the step ran") as problem,
    ):
        held.run("stakeout")
    assert "heads" in str(problem.value)
    assert (out / "stakeout.csv").read_bytes() == sheet
    assert layer(out, "stakeout").height_m.tolist() == rows


@pytest.mark.parametrize("beside", ["terrain.tif.aux.xml", "terrain.tfw"])
def test_a_sidecar_of_the_terrain_counts_as_the_terrain(job, beside):
    site, out = job
    unit = "<PAMDataset><PAMRasterBand band='1'><UnitType>metre</UnitType></PAMRasterBand></PAMDataset>"
    (site.parent / beside).write_text(unit if beside.endswith("xml") else "1\n0\n0\n-1\n0\n0\n")
    state, causes = states(site, out)["fence"]
    assert state == "stale" and causes == ["terrain.tif changed"]


def test_a_tile_that_is_gone_is_a_change_of_its_virtual_raster(tmp_path):
    """Found by files built at random: a survey of which a tile was missing ended `asbuilt` in an unexpected fault."""
    source = '<SimpleSource><SourceFilename relativeToVRT="1">{}</SourceFilename></SimpleSource>'
    for tiles in (["tile.tif"], ["..", "tile.tif"]):
        text = "<VRTDataset>" + "".join(source.format(tile) for tile in tiles) + "</VRTDataset>"
        (tmp_path / "terrain.vrt").write_text(text)
        (tmp_path / "tile.tif").write_bytes(b"levels")
        codes = FileCodes(tmp_path)
        there = codes.code("terrain.vrt")
        (tmp_path / "tile.tif").unlink()
        gone = codes.code("terrain.vrt")
        assert gone is not None and gone != there
        (tmp_path / "tile.tif").write_bytes(b"levels")
        assert codes.code("terrain.vrt") == there


def test_columns_that_a_person_added_are_carried_over(job):
    site, out = job
    edit(out, "ALTER TABLE {} ADD COLUMN anchor TEXT")
    edit(out, "UPDATE {} SET anchor = 'bolt for ' || head_id")
    assert states(site, out)["heads"][0] == "current"  # only declared fields count
    again(site, out, overwrite=True)
    heads = layer(out, "heads")
    assert heads.anchor.tolist() == [f"bolt for {name}" for name in heads.head_id]


def test_a_style_of_ones_own_stays_and_stays_the_default(job):
    site, out = job
    edit(out, "UPDATE layer_styles SET styleQML = '<qgis>mine</qgis>' WHERE f_table_name = 'heads'")
    again(site, out, overwrite=True)
    with closing(sqlite3.connect(out / "plan.gpkg")) as db:
        rows = db.execute("SELECT styleQML, useAsDefault FROM layer_styles WHERE f_table_name = 'heads'").fetchall()
    assert [text for text, default in rows if default] == ["<qgis>mine</qgis>"]
    assert len(rows) == 2


def test_an_edited_fence_layer_is_not_read_over_from_the_file(job):
    site, out = job
    edit(out, "UPDATE {} SET length_m = 12.5", "fence")
    again(site, out, overwrite=True)
    assert layer(out, "fence").length_m.tolist() == [12.5]
    assert states(site, out)["fence"][0] == "edited"


def test_status_on_the_command_line_in_words_and_as_json(job):
    site, out = job
    site.write_text(site.read_text().replace("21.5", "33.25"))
    words = ["status", str(site), "--out", str(out)]
    said = CliRunner().invoke(cli, words)
    assert said.exit_code == 0, said.output
    assert "channels.protection_db 21.50 -> 33.25" in said.output
    assert "--resume" in said.output
    rows = [json.loads(text) for text in CliRunner().invoke(cli, [*words, "--json"]).output.splitlines()]
    assert {row["state"] for row in rows} == {"current", "stale", "missing"}
    refused = CliRunner().invoke(cli, ["stakeout", str(site), "-o", str(out), "--overwrite", "--no-update"])
    assert refused.exit_code == 7 and "stale" in refused.stderr
