"""The book of the demonstration, filled in and read back."""

import csv
import io
import math
import shutil

import pyogrio
import pypdf
import pytest

import geotools
from geotools.detection.chains import perimeter_of
from geotools.earthwork.from_plan import design_of
from geotools.engine.runner import Job
from geotools.errors import InputError, OutputError, StepError
from geotools.site.sources import open_sources
from tests.making import set_proposed_head


def layer(out, name):
    return pyogrio.read_dataframe(out / "plan.gpkg", layer=name)


@pytest.fixture(scope="module")
def book(reported, tmp_path_factory):
    """The proposed state of the demonstration with its book."""
    folder = tmp_path_factory.mktemp("book") / "demo"
    shutil.copytree(reported.parent, folder)
    geotools.run_step("commission", geotools.open_site(folder / "input" / "site.toml"), folder / "out")
    return folder


@pytest.fixture
def copy(book, tmp_path):
    shutil.copytree(book, tmp_path / "demo")
    return geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"


def filled_in(out, change):
    """The form with what ``change`` puts into its rows."""
    text = (out / "commission.csv").read_text("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    for row in rows:
        row.update(change(row))
    path = out.parent / "filled.csv"
    with open(path, "w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_every_head_has_a_page_with_what_it_is_to_be_set_to(book):
    sheet = layer(book / "out", "stakeout")
    pages = [page.extract_text() for page in pypdf.PdfReader(book / "out" / "commission.pdf").pages]
    assert all("Dig & Sons Ltd" in page for page in pages), "a page does not name whom the book is for"
    zones = layer(book / "out", "zones")
    assert len(pages) == 1 + len(sheet) + len(zones)
    for head, page in zip(sheet.itertuples(), pages[1:], strict=False):
        for text in (head.head_id, f"{head.height_m:.3f} m", f"{head.grid_azimuth_deg:.2f} °", head.faces_head_id):
            assert text in page, (head.head_id, text)
        assert "resistance to earth" in page and "licensed practice" in page
    assert "walk test" in pages[-1]


def test_heights_are_those_of_the_set_up_sheet(book):
    sheet, mine = layer(book / "out", "stakeout"), layer(book / "out", "commission")
    assert dict(zip(mine["head_id"], mine["height_m"], strict=True)) == dict(
        zip(sheet["head_id"], sheet["height_m"], strict=True)
    )
    assert (mine["level_low_db"] <= mine["expected_level_db"]).all()
    assert (mine["expected_level_db"] <= mine["level_high_db"]).all()
    assert set(mine["set_up"]) == {"not set"} and layer(book / "out", "as_set").empty


def test_levels_as_expected_pass_and_one_that_is_off_is_told(copy):
    site, out = copy

    def read(row):
        # a receiver's level: against a reference of its own, falling with the distance
        level = float(row["expected_level_db"]) - 20 * math.log10(float(row["distance_m"])) - 41.7
        off = -4.0 if row["head_id"] == "F01-Z002-RX-main" else 0.0
        return {"as_set_level_db": f"{level + off:.2f}"} if row["role"] == "receiver" else {}

    outcome = geotools.run_step("commission", site, out, results=filled_in(out, read), overwrite=True)
    assert outcome.summary["levels_off"] == ["F01-Z002-RX-main"]
    (warning,) = (w for w in outcome.warnings if "below its prediction" in w)
    assert warning.startswith("F01-Z002-RX-main: level 4.0 dB below")
    rows = layer(out, "commission").set_index("head_id")
    said = {"F01-Z002-RX-main": "off", "F01-Z001-RX-main": "as planned", "F01-Z001-TX-main": "not set"}
    assert {name: rows.loc[name, "set_up"] for name in said} == said
    # the sheet on paper says the same: no two columns of one name, of which the state of the paper wins
    with (out / "commission.csv").open(encoding="utf-8-sig", newline="") as file:
        header, *lines = csv.reader(file)
    assert len(set(header)) == len(header)
    form = {line[0]: line[header.index("set_up")] for line in lines}
    assert {name: form[name] for name in said} == said
    assert rows.loc["F01-Z001-RX-main", "deviation_db"] == pytest.approx(0.0, abs=0.02)


def test_heights_as_set_go_through_the_one_engine(copy):
    site, out = copy
    low = {"F01-Z001-TX-low": 0.62, "F01-Z001-RX-low": 0.62}
    outcome = geotools.run_step(
        "commission",
        site,
        out,
        results=filled_in(out, lambda row: {"as_set_height_m": low.get(row["head_id"], row["height_m"])}),
        overwrite=True,
    )
    found = layer(out, "as_set").set_index(["zone_id", "threat"])
    with Job(site, out) as job:
        terrain = open_sources(site).open_terrain(site)
        standing = perimeter_of(site, job.workspace.read, terrain)
        ground = design_of(site, standing, terrain, out, job.workspace.plan_crs)
        zone = standing.zones["F01-Z001"].with_heights("low", 0.62, 0.62)
        alone = standing.with_zones({"F01-Z001": (zone,)}, ground)
        dead = alone.dead("F01-Z001")
        for threat in site.threats:
            assert found.loc[("F01-Z001", threat), "dead_as_set_m"] == pytest.approx(
                alone.dead_length("F01-Z001", {threat: dead[threat]})
            )
    assert found.loc[("F01-Z001", "prone"), "dead_as_set_m"] > found.loc[("F01-Z001", "prone"), "dead_planned_m"] == 0.0
    assert any(w.startswith("F01-Z001, prone") for w in outcome.warnings)
    assert (found["heads_set"] == found["heads"]).all()


def test_heights_as_planned_leave_the_proposed_state_as_it_is(copy):
    site, out = copy
    path = filled_in(out, lambda row: {"as_set_height_m": row["height_m"]})
    geotools.run_step("commission", site, out, results=path, overwrite=True)
    found, options = layer(out, "as_set"), layer(out, "options")
    assert (found["dead_as_set_m"] - found["dead_planned_m"]).abs().max() < 1e-9
    taken = options[options["recommended"]].set_index("zone_id")["dead_after_m"]
    assert found.groupby("zone_id")["dead_planned_m"].max()[taken.index].tolist() == pytest.approx(taken.tolist())


def test_fields_filled_in_in_the_plan_stay_and_are_read(copy):
    site, out = copy
    path = filled_in(out, lambda row: {"as_set_channel": "9"} if row["head_id"] == "F01-Z003-TX-low" else {})
    geotools.run_step("commission", site, out, results=path, overwrite=True)
    outcome = geotools.run_step("commission", site, out, overwrite=True)
    row = layer(out, "commission").set_index("head_id").loc["F01-Z003-TX-low"]
    assert row["as_set_channel"] == 9
    assert outcome.summary["heads_filled_in"] == 1


def test_a_form_of_another_plan_is_refused(copy):
    site, out = copy
    path = filled_in(out, lambda row: {"head_id": "Z" + row["head_id"], "as_set_height_m": "0.9"})
    with pytest.raises(InputError, match="not in the plan"):
        geotools.run_step("commission", site, out, results=path, overwrite=True)


def test_a_form_filled_in_where_it_lies_is_not_replaced(copy):
    site, out = copy
    path = filled_in(out, lambda row: {"remark": "loose bolt"} if row["head_id"] == "F01-Z003-TX-low" else {})
    shutil.copy(path, out / "commission.csv")
    with pytest.raises(OutputError, match="would be replaced"):
        geotools.run_step("commission", site, out, overwrite=True)
    geotools.run_step("commission", site, out, results=out / "commission.csv", overwrite=True)
    assert layer(out, "commission").set_index("head_id").loc["F01-Z003-TX-low", "remark"] == "loose bolt"


def test_a_set_up_sheet_of_another_state_is_refused(copy):
    site, out = copy
    set_proposed_head(site, out)
    geotools.run_step("stakeout", site, out, state="existing", overwrite=True)
    with pytest.raises(StepError, match="another state"):
        geotools.run_step("commission", site, out, overwrite=True)
    outcome = geotools.run_step("commission", site, out, state="existing", overwrite=True)
    assert outcome.summary["heads"] == len(layer(out, "heads"))
    mine, heads = layer(out, "commission").set_index("head_id"), layer(out, "heads").set_index("head_id")
    assert (mine["height_m"] - heads["height_m"]).abs().max() == 0.0
