"""What a plan says of itself in the tables that GeoPackage has for it."""

import sqlite3
from contextlib import closing

import pytest
from lxml import etree
from pyproj import CRS

from geotools.plan.metadata import Described, write_metadata
from geotools.plan.schema import FENCE
from geotools.plan.workspace import Workspace, empty_frame
from tests.validator import complaints

DC = "{http://purl.org/dc/elements/1.1/}"
UTM = CRS("EPSG:32632")


@pytest.fixture
def plan(tmp_path):
    made = Workspace(tmp_path, UTM)
    made.write({FENCE: empty_frame(FENCE)})
    return made.plan


def rows(plan):
    with closing(sqlite3.connect(plan)) as db:
        return db.execute(
            "SELECT m.md_scope, m.mime_type, m.metadata, r.reference_scope, r.table_name "
            "FROM gpkg_metadata m JOIN gpkg_metadata_reference r ON r.md_file_id = m.id ORDER BY m.id"
        ).fetchall()


def test_the_plan_names_its_systems_and_the_datum_of_its_heights(plan):
    write_metadata(plan, Described("Yard <1> & 2", UTM, "DHHN2016 height", "Handle as sensitive."))
    ((scope, mime, text, reference, table),) = rows(plan)
    assert (scope, mime, reference, table) == ("dataset", "text/xml", "geopackage", None)
    tree = etree.fromstring(text)
    assert tree.findtext(f"{DC}title") == "Yard <1> & 2" and tree.findtext(f"{DC}rights") == "Handle as sensitive."
    assert [e.text for e in tree.iter(f"{DC}coverage")] == [
        "Places: EPSG:32632",
        "Heights: metres; vertical datum: DHHN2016 height",
    ]


def test_written_again_it_is_one_row_and_anothers_stays(plan):
    write_metadata(plan, Described("Yard", UTM, "a", ""))
    with closing(sqlite3.connect(plan)) as db, db:
        db.execute("INSERT INTO gpkg_metadata VALUES (7, 'dataset', 'http://mrcc.com/qgis.dtd', 'text/xml', '<qgis/>')")
        db.execute("INSERT INTO gpkg_metadata_reference VALUES ('table', 'fence', NULL, NULL, '2026', 7, NULL)")
    write_metadata(plan, Described("Yard", UTM, "b", ""))
    found = rows(plan)
    assert [row[2] == "<qgis/>" for row in found] == [False, True]
    assert "vertical datum: b" in found[0][2] and "datum: a" not in found[0][2]


def test_every_run_says_it(make_site, tmp_path):
    from geotools.engine.runner import run_site
    from geotools.site import open_site

    run_site(open_site(make_site(inputs='vertical_datum = "local bench mark"\n')), tmp_path / "out", steps=["inspect"])
    ((_, _, text, _, _),) = rows(tmp_path / "out" / "plan.gpkg")
    assert "vertical datum: local bench mark" in text and "<dc:title>Test yard</dc:title>" in text


@pytest.mark.validator
def test_the_validator_takes_it(plan):
    write_metadata(plan, Described("Yard", UTM, "DHHN2016", "x"))
    assert complaints(plan) == ""
