"""What is handed to others: the audience's layers and fields, and of the rest nothing in any corner of the file."""

import io
import json
import os
import shutil
import sqlite3
import struct
import zipfile
import zlib
from contextlib import closing

import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from pypdf import PdfReader

from geotools.cli import cli
from geotools.cli.share import AUDIENCES
from geotools.engine.sharing import share
from geotools.errors import OutputError, SiteError, StepError
from geotools.plan.audiences import CLIENT, CONTRACTOR, PUBLIC, extract
from geotools.plan.schema import FENCE, LAYERS, VERDICTS
from geotools.site import open_site, parse_site, sharing
from tests.validator import complaints

#: Said on every map: unit and system of its heights; and words of GeoPackage and the GIS themselves.
PLAIN = {"metre", "invented, local", "vertical", "row_id", "source"}
WORDS = ("undetected", "unproven", "dead spot", "dead_spot", "crawl", "modulation", "crest", "weak")


@pytest.fixture(scope="module")
def job(reported, tmp_path_factory):
    """A plan with everything in it, and with traces of weak places wherever a GeoPackage can hold one."""
    folder = tmp_path_factory.mktemp("job")
    shutil.copytree(reported.parent, folder, dirs_exist_ok=True)
    plan = folder / "out" / "plan.gpkg"
    site_file = folder / "input" / "site.toml"
    site_file.write_text(site_file.read_text("utf-8").replace('recipient = "Dig & Sons Ltd"', ""), "utf-8")
    with closing(sqlite3.connect(plan)) as db, db:
        db.execute("PRAGMA secure_delete = OFF")
        # a style of a person's on the fence, a table of notes, and rows that were deleted but lie in free pages
        db.execute("UPDATE layer_styles SET styleQML = styleQML || '<!-- weak at F01-Z003 -->', owner = 'me' "
                   "WHERE f_table_name = 'fence'")  # fmt: skip
        db.execute("CREATE TABLE notes (fid INTEGER PRIMARY KEY, text TEXT)")
        db.execute("INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('notes', 'attributes', 'n')")
        db.executemany("INSERT INTO notes (text) VALUES (?)", [("dead spot at the culvert",)] * 3000)
        db.execute("DELETE FROM notes WHERE fid > 1")
        db.execute("INSERT INTO qgis_projects VALUES ('walk', '{}', 'dead spots')")
    with closing(sqlite3.connect(plan)) as db:
        assert db.execute("PRAGMA freelist_count").fetchone()[0] > 10
    return open_site(folder / "input" / "site.toml"), folder / "out"


@pytest.fixture(scope="module")
def public(job, tmp_path_factory):
    """The public's file of each kind, by its ending."""
    folder = tmp_path_factory.mktemp("public")
    made = {}
    for kind in (".gpkg", ".pdf", ".zip"):
        made[kind] = folder / f"yard{kind}"
        share(*job, "public", made[kind], recipient="Anybody")
    return made


def opened(data):
    """A file's bytes, and those of everything that is packed in it, however deep."""
    found = [data]
    if data[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            found += [part for name in archive.namelist() for part in opened(archive.read(name))]
    elif data[:4] == b"%PDF":
        for piece in data.split(b"stream\n")[1:]:
            try:
                found.append(zlib.decompressobj().decompress(piece))
            except zlib.error:
                continue
        found += [page.extract_text().encode() for page in PdfReader(io.BytesIO(data)).pages]
    elif data[:6] == b"SQLite":
        with closing(sqlite3.connect(":memory:")) as db:
            db.deserialize(data)
            for (content,) in db.execute("SELECT content FROM qgis_projects"):
                found += opened(bytes.fromhex(content))
    return found


def secrets(plan):
    """Coordinates and texts of all layers but the fence, and the names of their fields."""
    places, texts, own = set(), set(), set(FENCE.field_names) | {"fence"}
    for name in pyogrio.list_layers(plan)[:, 0]:
        if name not in LAYERS or name == "layer_styles":
            continue
        frame = pyogrio.read_dataframe(plan, layer=name)
        if "geometry" in frame and len(frame):
            here = set(shapely.get_coordinates(frame.geometry.to_numpy()).ravel().tolist())
            places = places - here if name == "fence" else places | here
        if name == "fence":
            fence = here
            continue
        texts |= {
            str(v) for c in frame.columns if c != "geometry" and frame[c].dtype.kind == "O" for v in frame[c].dropna()
        }
        texts |= {name} | {f for f in frame.columns if "_" in f}
    return places - fence, {t for t in texts - own - PLAIN if len(t) >= 5 and "EPSG" not in t}


@pytest.mark.parametrize("kind", [".gpkg", ".pdf", ".zip"])
def test_a_public_file_holds_no_weak_place_in_any_of_its_bytes(job, public, kind):
    places, texts = secrets(job[1] / "plan.gpkg")
    assert len(places) > 1000 and {"verdicts", "crawl_gap_m", "F01-Z003"} <= texts
    for data in opened(public[kind].read_bytes()):
        held = {data[k : k + 8] for k in range(len(data) - 7)}
        assert not [p for p in places if held & {struct.pack("<d", p), struct.pack(">d", p)}]
        lower = data.lower()
        assert not [text for text in texts if text.encode() in data]
        assert not [word for word in WORDS if word.encode() in lower]


def test_the_search_finds_what_a_careless_copy_would_hold(job, tmp_path):
    places, _ = secrets(job[1] / "plan.gpkg")
    careless = tmp_path / "careless.gpkg"
    shutil.copy(job[1] / "plan.gpkg", careless)
    with closing(sqlite3.connect(careless)) as db, db:
        db.execute("PRAGMA secure_delete = OFF")
        for name in LAYERS:
            if name != "fence":
                db.execute(f'DROP TABLE IF EXISTS "{name}"')
    data = careless.read_bytes()
    held = {data[k : k + 8] for k in range(len(data) - 7)}
    assert any(struct.pack("<d", p) in held for p in places)
    assert data.count(b"dead spot at the culvert") > 100


def test_a_public_plan_is_the_fence_and_a_map_of_it(public):
    assert pyogrio.list_layers(public[".gpkg"])[:, 0].tolist() == ["fence", "layer_styles"]
    frame = pyogrio.read_dataframe(public[".gpkg"], layer="fence")
    assert list(frame.columns) == ["fence_id", "closed", "length_m", "height_m", "geometry"]
    with zipfile.ZipFile(public[".zip"]) as archive:
        assert archive.namelist() == ["plan.gpkg", "plan.pdf"]
    with closing(sqlite3.connect(public[".gpkg"])) as db:
        assert db.execute("PRAGMA freelist_count").fetchone() == (0,)
        assert db.execute("SELECT count(*) FROM rtree_fence_geom").fetchone() == (1,)
        content = db.execute("SELECT content FROM qgis_projects").fetchone()[0]
    with zipfile.ZipFile(io.BytesIO(bytes.fromhex(content))) as archive:
        assert "./yard.gpkg|layername=fence" in archive.read("plan.qgs").decode()


def test_the_contractor_gets_what_is_built_and_not_who_is_detected(job, tmp_path):
    made = share(*job, "contractor", tmp_path / "c.zip", recipient="Dig & Sons (<b>)")
    assert {"stakeout", "heads", "earthworks", "proposed_heads"} - set(made.layers) <= {"earthworks"}
    assert "verdicts" not in made.layers and "cut_fill.tif" in made.rasters
    pieces = opened((tmp_path / "c.zip").read_bytes())
    for word in (
        b"undetected",
        b"dead_spot",
        b"probability",
        b"left_open_m",
        b"margin_db",
        b"interferer",
        b"crossings ",
    ):
        assert not any(word in piece for piece in pieces), word
    with zipfile.ZipFile(tmp_path / "c.zip") as archive:
        assert archive.namelist() == ["plan.gpkg", "plan.pdf", *made.rasters]
        page = PdfReader(io.BytesIO(archive.read("plan.pdf"))).pages[0].extract_text()
    # across the sheet, and in its block
    assert page.count("Dig & Sons (<b>)") == 2 and "need-to-know" in page


def test_full_is_all_of_it_without_what_was_deleted(job, tmp_path):
    made = share(*job, "full", tmp_path / "plan.gpkg")
    names = set(pyogrio.list_layers(tmp_path / "plan.gpkg")[:, 0])
    assert names == set(pyogrio.list_layers(job[1] / "plan.gpkg")[:, 0]) and "notes" in names
    assert set(made.layers) == names - {"notes", "layer_styles"}
    data = (tmp_path / "plan.gpkg").read_bytes()
    assert data.count(b"dead spot at the culvert") == 1 and b"weak at F01-Z003" in data


@pytest.mark.validator
@pytest.mark.parametrize("audience", ["public", "contractor", "client", "full"])
def test_what_is_handed_over_is_a_valid_geopackage(job, tmp_path, audience):
    share(*job, audience, tmp_path / "plan.gpkg")
    found = complaints(tmp_path / "plan.gpkg")
    assert found == "" or (audience == "full" and "notes" in found)


def test_the_tables_name_what_there_is():
    for table in (PUBLIC, CONTRACTOR, CLIENT):
        made = extract(table, LAYERS, "here")
        assert made.layers
    # what stops working when a trench is cut is no business of who digs it
    assert not [e for e in CONTRACTOR if "lost" in e or e.startswith(("verdicts", "dead_spots", "bill", "supply"))]
    client = {schema.name for schema in extract(CLIENT, LAYERS, "here").layers}
    assert {"verdicts", "dead_spots", "advice"} <= client and "sensitivity" not in client


#: Layers that an audience is kept from, each for a reason: a new layer fails here until somebody has decided.
#: Working figures behind the answer, and the setter-out's own tables, tell a client nothing that is paid for.
NOT_FOR_CLIENTS = set(
    [
        "beam_levels",
        "grading_points",
        "head_heights",
        "nuisance_reach",
        "profiles",
        "resurvey",
        "sensitivity",
        "stakeout",
        "window_surfaces",
    ]
)
#: Who is detected where and how it is watched, what it costs, and what the site does after it is built.
NOT_FOR_CONTRACTORS = NOT_FOR_CLIENTS - {"grading_points", "stakeout"} | set(
    [
        "acceptance",
        "advice",
        "as_set",
        "bill",
        "changes",
        "conflicts",
        "crossings",
        "dead_spots",
        "flow_crossings",
        "gradings",
        "operating_windows",
        "options",
        "ponds",
        "provenance",
        "set_off",
        "standoffs",
        "supply",
        "upkeep",
        "upkeep_cost",
        "verdicts",
        "views",
        "walk_heads",
        "walk_result",
        "walk_test",
        "widths",
        "window_options",
        "window_weather",
    ]
)


@pytest.mark.parametrize(("table", "kept"), [(CLIENT, NOT_FOR_CLIENTS), (CONTRACTOR, NOT_FOR_CONTRACTORS)])
def test_every_layer_was_decided_on(table, kept):
    seen = {schema.name for schema in extract(table, LAYERS, "here").layers}
    assert seen | kept == set(LAYERS) and not seen & kept


def test_who_sets_heads_up_sees_what_to_set_and_not_what_it_is_good_for():
    (found,) = [schema for schema in extract(CONTRACTOR, LAYERS, "here").layers if schema.name == "commission"]
    names = set(found.field_names)
    assert {"height_m", "tilt_deg", "channel", "as_set_height_m", "set_by"} <= names
    assert not names & {"threshold", "expected_level_db", "deviation_db", "state", "causes", "as_set_level_db"}


def test_a_reduced_layer_is_drawn_by_nothing_that_was_left_out():
    (made,) = extract(["verdicts.from_m", "verdicts.to_m"], LAYERS, "here").layers
    assert made.field_names == ["from_m", "to_m"] and made.key is None
    assert made.style.categories == () and made.style.field is None
    assert made.description == VERDICTS.title
    assert extract(["verdicts.*"], LAYERS, "here").layers == (VERDICTS,)


@pytest.mark.parametrize(
    ("entry", "words"), [("fences.*", "no layer of that name"), ("fence.width_m", "no field of that name")]
)
def test_a_table_that_names_what_there_is_not_is_refused(entry, words):
    with pytest.raises(SiteError, match=words) as told:
        extract([entry], LAYERS, "setting sharing.public")
    assert "sharing.public" in str(told.value) and entry in str(told.value)


@pytest.mark.parametrize("entries", ['["fence"]', '["fence.Length"]', '["../x.tif"]', '["design.tif"]', "[]"])
def test_the_site_file_refuses_what_is_no_table(tmp_path, entries):
    text = f'name = "Y"\n[input]\nfence = "f"\nterrain = "t"\n[sharing]\npublic = {entries}\n'
    with pytest.raises(SiteError, match=r"sharing\.public"):
        parse_site(text, tmp_path / "site.toml")


def test_the_site_file_can_change_a_table_and_is_told_what_that_means(job, tmp_path):
    site = job[0].model_copy(update={"sharing": job[0].sharing.model_copy(update={"public": ("fence.*", "zones.*")})})
    made = share(site, job[1], "public", tmp_path / "p.gpkg")
    assert made.layers == ["fence", "zones"]
    assert len(made.warnings) == 1 and "zones.zone_id" in made.warnings[0] and "fence.length_m" not in made.warnings[0]


def test_nothing_stale_is_handed_over(job, tmp_path):
    shutil.copytree(job[1].parent, tmp_path / "job")
    site_file = tmp_path / "job" / "input" / "site.toml"
    text = site_file.read_text("utf-8").replace("spacing_m = 0.5", "spacing_m = 0.4")
    site_file.write_text(text, "utf-8")
    with pytest.raises(StepError, match="stale") as told:
        share(open_site(site_file), tmp_path / "job" / "out", "client", tmp_path / "c.gpkg")
    assert "detection.spacing_m" in str(told.value) and not (tmp_path / "c.gpkg").exists()
    # the fence does not depend on it
    assert share(open_site(site_file), tmp_path / "job" / "out", "public", tmp_path / "p.gpkg").layers == ["fence"]


def test_refusals_leave_nothing_behind(job, tmp_path):
    (tmp_path / "held.gpkg").write_text("mine")
    for name, words, who in (
        ("a.dxf", "ending", ""),
        ("held.gpkg", "there already", ""),
        ("a.pdf", "names who it is for", " "),
    ):
        with pytest.raises(OutputError, match=words):
            share(*job, "client", tmp_path / name, recipient=who)
    with pytest.raises(OutputError, match="itself"):
        share(*job, "full", job[1] / "plan.gpkg", overwrite=True)
    with pytest.raises(StepError, match="no plan"):
        share(job[0], tmp_path, "full", tmp_path / "a.gpkg")
    assert [p.name for p in tmp_path.iterdir()] == ["held.gpkg"]
    share(*job, "client", tmp_path / "held.gpkg", overwrite=True)
    assert [p.name for p in tmp_path.iterdir()] == ["held.gpkg"]


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
@pytest.mark.parametrize(("private", "mode"), [(True, 0o600), (False, 0o644)])
def test_the_file_is_the_owners_alone_unless_the_site_file_says_otherwise(job, tmp_path, private, mode):
    site = job[0].model_copy(update={"sharing": job[0].sharing.model_copy(update={"private": private})})
    share(site, job[1], "public", tmp_path / "p.gpkg")
    assert (tmp_path / "p.gpkg").stat().st_mode & 0o777 == mode


def test_the_command_offers_the_audiences_of_the_site_file():
    assert AUDIENCES == sharing.AUDIENCES


def test_the_command_says_what_it_wrote(job, tmp_path):
    site_file = job[0].folder / "site.toml"
    words = ["share", str(site_file), "--out", str(job[1]), "--for", "public", "--to", str(tmp_path / "p.gpkg")]
    done = CliRunner().invoke(cli, [*words, "--json"])
    said = json.loads(done.stdout)
    assert (done.exit_code, said["event"], said["layers"]) == (0, "shared", ["fence"])
    again = CliRunner().invoke(cli, words)
    assert again.exit_code == 6 and "--overwrite" in again.stderr
