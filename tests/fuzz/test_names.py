"""Names that harm where they are pasted unguarded, from the site file and from a GIS, through the whole job."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import ezdxf
import icalendar
import numpy as np
import pyogrio
import pypdf
import pytest
from lxml import etree

from geotools.errors import unprintable
from geotools.plan.gpkg import check_whole
from geotools.plan.schema import LAYERS
from tests.fuzz.worker import call, listing
from tests.making import line, write_fence, write_raster

#: The site: a drawing program's formula, a screen's markup, a page's, an entity, a way out of the folder, quotes.
NAME = "=Yard \"A\"; 'B' <script>alert(1)</script> $\\frac{$ [/b] &lol; ../../x"
HEAD = "=cmd|' /C calc'!A0"
THREAT = "@SUM(1) <img src=x onerror=alert(1)>"
CAMERA = "-1+1|<b>'c\"; =2"
DATUM = "</p><script>datum()</script>;=1+1"
#: Zones as somebody named them in a GIS.
ZONES = ("=1+1'; DROP TABLE heads; --", '../../../../<b>"out"</b>/x')
NOTE = '=HYPERLINK("http://127.0.0.1/");=1\n=2'
STEPS = (
    "channels", "cameras", "gaps", "heights", "remedy", "grade", "drain", "stakeout", "walktest", "upkeep", "report",
    "export",
)  # fmt: skip
SITE = """name = {name}
threats = [{threat}]
[input]
fence = "fence.geojson"
terrain = "terrain.tif"
vertical_accuracy_m = 0.05
vertical_datum = {datum}
[layout]
side = "left"
max_zone_m = 60
[detection]
spacing_m = 1.0
[cameras]
positions = "cameras.geojson"
[prices]
currency = "=<b>';"
[targets.{threat}]
height_m = 0.5
width_m = 0.3
[head_types.{head}]
frequency_ghz = 10.525
beamwidth_az_deg = 4
beamwidth_el_deg = 4
max_range_m = 200
[[stack]]
level = "main"
head_type = {head}
height_m = 0.9
"""


def make(folder: Path) -> Path:
    _, x = np.mgrid[0:40, 0:100]
    heights = (250 + 0.01 * x).astype(np.float32)
    heights[:, 45:49] -= 0.35
    write_raster(folder / "terrain.tif", heights, top=5_400_040.0)
    write_fence(folder / "fence.geojson", [line([(10, 20), (90, 20)])])
    camera = {"type": "Point", "coordinates": [500_008, 5_400_026]}
    (folder / "cameras.geojson").write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}},
                "features": [{"type": "Feature", "properties": {"camera_id": CAMERA}, "geometry": camera}],
            }
        )
    )
    quoted = {k: json.dumps(v) for k, v in {"name": NAME, "threat": THREAT, "head": HEAD, "datum": DATUM}.items()}
    (folder / "site.toml").write_text(SITE.format(**quoted), encoding="utf-8")
    return folder / "site.toml"


def rename_zones(plan: Path) -> None:
    """What somebody typed into the layer of the heads."""
    with closing(sqlite3.connect(plan)) as db, db:
        # the file's own triggers call functions that only a GIS has
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'heads'"):
            db.execute(f'DROP TRIGGER "{name}"')
        old = [z for (z,) in db.execute("SELECT DISTINCT zone_id FROM heads ORDER BY zone_id")]
        for before, after in zip(old, ZONES, strict=True):
            db.execute(
                "UPDATE heads SET zone_id = ?, head_id = replace(head_id, ?, ?) WHERE zone_id = ?",
                (after, before, after, before),
            )


def fill_in(form: Path, target: Path) -> None:
    """Results as a walker writes them, the note among them."""
    with open(form, encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    rows[0] |= {"result": "detected", "walker": NAME, "note": NOTE}
    with open(target, "w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """The folder of the whole job, and all words of the screen."""
    root = tmp_path_factory.mktemp("names")
    folder = root / "a" / "b" / "c"
    folder.mkdir(parents=True)
    site, out = make(folder), folder / "out"
    before = listing(root, out)
    said = []

    def step(name: str, *more: str) -> None:
        code, words = call([name, str(site), "--out", str(out), *more])
        assert code == 0, words
        said.append(words)

    step("inspect")
    step("layout")
    rename_zones(out / "plan.gpkg")
    step("layout", "--keep", "--overwrite")
    for name in STEPS:
        if name == "report":
            fill_in(out / "walk_test.csv", out / "filled.csv")
            step("walktest", "--results", str(out / "filled.csv"), "--overwrite")
        step(name)
    assert listing(root, out) == before
    yield out, "\n".join(said)


class Page(HTMLParser):
    """Elements with their attributes, and the text a reader sees."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: set[str] = set()
        self.attributes: set[str] = set()
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_holds_no_element_of_theirs_and_shows_every_name(outcome: tuple[Path, str]) -> None:
    page = Page()
    page.feed((outcome[0] / "report.html").read_text(encoding="utf-8"))
    assert not page.elements & {"script", "b", "iframe", "object"}
    assert not {name for name in page.attributes if name.startswith("on")}
    text = "".join(page.text)
    for name in (NAME, THREAT, DATUM, *ZONES):
        assert name in text, name


def test_the_paper_is_made_and_shows_the_names(outcome: tuple[Path, str]) -> None:
    for path in outcome[0].rglob("*.pdf"):
        assert len(pypdf.PdfReader(path).pages) >= 1
    text = "".join(page.extract_text() for page in pypdf.PdfReader(outcome[0] / "report.pdf").pages)
    assert "<script>alert(1)</script>" in text
    assert "DROP TABLE heads" in text


def test_no_table_holds_a_formula_whatever_separator_it_is_opened_with(outcome: tuple[Path, str]) -> None:
    tables = sorted(outcome[0].rglob("*.csv"))
    names = {path.name for path in tables}
    assert names >= {"stakeout.csv", "walk_test.csv", "upkeep.csv", "grading_points.csv"}
    guarded = 0
    for path in tables:
        if path.name == "filled.csv":
            continue
        text = path.read_text(encoding="utf-8-sig")
        for separator in ",;\t":
            for row in csv.reader(text.splitlines(), delimiter=separator, quoting=csv.QUOTE_NONE):
                for cell in row:
                    start = cell.strip(' "')[:1]
                    number = cell.strip(' "').lstrip("+-").replace(".", "").isdigit()
                    guarded += cell.startswith("'=")
                    assert number or not start or start not in "=+@-", (path.name, separator, cell)
    assert guarded > 10


def test_a_walkers_note_comes_back_as_it_was_written(outcome: tuple[Path, str]) -> None:
    frame = pyogrio.read_dataframe(outcome[0] / "plan.gpkg", layer="walk_test")
    assert frame["walker"].dropna().tolist() == [NAME]
    assert frame["note"].dropna().tolist() == [NOTE]


def test_the_plan_is_whole(outcome: tuple[Path, str]) -> None:
    plan = outcome[0] / "plan.gpkg"
    check_whole(plan)
    layers = {name for name, _ in pyogrio.list_layers(plan)} - {"layer_styles"}
    assert layers <= set(LAYERS) | {"provenance"}
    assert set(pyogrio.read_dataframe(plan, layer="heads")["zone_id"]) == set(ZONES)
    assert CAMERA in set(pyogrio.read_dataframe(plan, layer="cameras")["camera_id"])
    for layer in layers:
        pyogrio.read_dataframe(plan, layer=layer)


def test_every_document_is_well_formed(outcome: tuple[Path, str]) -> None:
    out = outcome[0]
    found = [path for path in out.rglob("*") if path.suffix in (".kml", ".xml", ".gpx", ".svg")]
    assert {path.suffix for path in found} == {".kml", ".xml", ".gpx"}
    strict = etree.XMLParser(resolve_entities=False, no_network=True)
    for path in found:
        tree = etree.parse(path, strict)
        assert not tree.xpath("//*[local-name() = 'script' or local-name() = 'img' or local-name() = 'b']"), path
        assert not tree.docinfo.doctype
    assert (
        etree.parse(out / "plan.kml").xpath("string(//*[local-name() = 'Document']/*[local-name() = 'name'])") == NAME
    )
    assert not ezdxf.readfile(out / "earthworks.dxf").audit().errors
    calendar = icalendar.Calendar.from_ical((out / "upkeep.ics").read_bytes())
    assert NAME in str(calendar["x-wr-calname"])
    for path in out.rglob("*.geojson"):
        json.loads(path.read_text(encoding="utf-8"))


def test_file_names_are_plain(outcome: tuple[Path, str]) -> None:
    for path in outcome[0].rglob("*"):
        assert all(c.isascii() and (c.isalnum() or c in "._-") for c in path.name), path.name
    assert len(list((outcome[0] / "sections").iterdir())) == len(ZONES)


def test_the_screen_shows_names_as_they_are(outcome: tuple[Path, str]) -> None:
    assert unprintable(outcome[1]) is None
    assert f"{NAME}: " in outcome[1].replace("\n", " ")


@pytest.mark.parametrize("code", ["\\u0000", "\\u001b", "\\u009b", "\\u0008", "\\uFFFE"])
def test_a_name_that_no_document_can_hold_is_refused(tmp_path: Path, code: str) -> None:
    site = make(tmp_path)
    text = site.read_text(encoding="utf-8").replace('name = "', f'name = "{code}', 1)
    site.write_text(text, encoding="utf-8")
    ended, words = call(["inspect", str(site), "--out", str(tmp_path / "out")])
    assert ended == 4
    assert f"U+{code[2:].upper()}" in words
    assert unprintable(words) is None


def test_a_value_typed_into_the_plan_that_no_document_can_hold_is_refused(tmp_path: Path) -> None:
    site, out = make(tmp_path), tmp_path / "out"
    assert call(["inspect", str(site), "--out", str(out)])[0] == 0
    with closing(sqlite3.connect(out / "plan.gpkg")) as db, db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'fence'"):
            db.execute(f'DROP TRIGGER "{name}"')
        db.execute("UPDATE fence SET fence_id = ?", ("F\x1b[2J01",))
    code, words = call(["layout", str(site), "--out", str(out)])
    assert code == 3
    assert "U+001B" in words
    assert "layer fence, field fence_id" in words
