"""Forms of the desktop GIS and the relations between layers of the map.

Red where a derived field can be typed into, a field that a step reads back cannot, a range in the form is another than
the file's own or the site file's, or a relation names a layer that the map has not.
"""

import sqlite3
from contextlib import closing

import pytest
from lxml import etree
from pyproj import CRS
from shapely import Point, Polygon

from geotools.plan.project import write_project
from geotools.plan.schema import FENCE, HEADS, LAYERS, PROVENANCE, VERDICTS, WALK_PLAN, ZONES, to_qml
from geotools.plan.workspace import Workspace, empty_frame, frame_of
from geotools.site.stacks import Level
from tests.plan.test_stored_project import project
from tests.validator import complaints

UTM = CRS("EPSG:32632")


def form(schema):
    return etree.fromstring(to_qml(schema.style, schema.geometry, schema.fields, schema.key))


def editable(schema):
    return {n.get("name") for n in form(schema).findall("editable/field") if n.get("editable") == "1"}


def options(schema, field):
    found = form(schema).xpath(f"//fieldConfiguration/field[@name='{field}']/editWidget")[0]
    return found.get("type"), {o.get("name"): o.get("value") for o in found.findall("config/Option/Option")}


def test_what_is_derived_is_shown_and_not_edited():
    assert editable(ZONES) == {"locked"} and editable(VERDICTS) == set()
    derived = {"junction_id", "band_ghz", "ground_m", "margin_db", "interferer_head_id", "azimuth_deg", "tilt_deg"}
    assert editable(HEADS) == set(HEADS.field_names) - derived
    assert editable(WALK_PLAN) == {"result", "walked_on", "walker", "note"}
    for schema in LAYERS.values():
        for field in schema:
            # what asks to be filled in can be, in every layer
            assert field.editable or not field.help.startswith("to fill in"), (schema.name, field.name)


def test_a_height_has_the_range_that_a_site_file_allows():
    kind, told = options(HEADS, "height_m")
    limits = {type(m).__name__: m for m in Level.model_fields["height_m"].metadata}
    assert kind == "Range" and float(told["Min"]) == limits["Gt"].gt and float(told["Max"]) == limits["Le"].le
    rule = form(HEADS).xpath("//constraintExpressions/constraint[@field='height_m']")[0]
    assert rule.get("exp") == '"height_m" IS NULL OR ("height_m" >= 0.05 AND "height_m" <= 10)'
    assert rule.get("desc") == "not less than 0.05 and not more than 10"


def test_a_head_is_named_once_and_the_row_number_is_hidden():
    key = form(HEADS).xpath("//constraints/constraint[@field='head_id']")[0]
    assert (key.get("constraints"), key.get("unique_strength"), key.get("notnull_strength")) == ("3", "1", "1")
    assert options(HEADS, "fid")[0] == "Hidden"
    assert options(HEADS, "head_type") == ("UniqueValues", {"Editable": "true"})


def test_words_are_listed_as_they_are_read():
    kind = form(VERDICTS).xpath("//fieldConfiguration/field[@name='verdict']/editWidget")[0]
    listed = {o.get("name"): o.get("value") for o in kind.iter("Option") if o.get("type") == "QString"}
    assert kind.get("type") == "ValueMap"
    assert listed == {w.replace("_", " "): w for w in ("detected", "unproven", "undetected", "no_beam")}


@pytest.fixture
def plan(tmp_path):
    """Two heads on one post, one zone."""
    made = Workspace(tmp_path, UTM)
    area = Polygon([(500_000, 5_400_000), (500_090, 5_400_000), (500_090, 5_400_004)])
    zone = dict.fromkeys(ZONES.field_names) | {"zone_id": "F01-Z001", "fence_id": "F01", "geometry": area}
    heads = [
        dict.fromkeys(HEADS.field_names)
        | {"head_id": f"F01-Z001-TX-{level}", "zone_id": "F01-Z001", "post_id": "F01-Z001-A", "role": "transmitter",
           "level": level, "head_type": "10 GHz", "height_m": 0.4, "geometry": Point(500_000, 5_400_000, 300)}
        for level in ("low", "main")
    ]  # fmt: skip
    made.write(
        {
            FENCE: empty_frame(FENCE),
            ZONES: frame_of(ZONES, [zone]),
            HEADS: frame_of(HEADS, heads),
            PROVENANCE: empty_frame(PROVENANCE),
        }
    )
    return made.plan


def test_zones_have_posts_and_posts_have_heads(plan):
    write_project(plan, UTM, "Yard", [])
    _, xml = project(plan)
    there = {layer.findtext("id"): layer for layer in xml.findall("projectlayers/maplayer")}
    ties = {r.get("id"): r for r in xml.findall("relations/relation")}
    # no beams in this plan
    assert set(ties) == {"zones_posts", "zones_heads", "posts_heads"}
    assert all({r.get("referencingLayer"), r.get("referencedLayer")} <= set(there) for r in ties.values())
    assert ties["posts_heads"].find("fieldRef").get("referencingField") == "post_id"
    posts = there["posts_of_heads"]
    heads = next(i for i, layer in there.items() if layer.findtext("layername") == "Heads")
    assert posts.findtext("provider") == "virtual" and f"layer_ref={heads}" in posts.findtext("datasource")
    refers = there[heads].xpath(".//fieldConfiguration/field[editWidget/@type='RelationReference']/@name")
    assert refers == ["zone_id", "post_id"]


def test_a_persons_own_widget_stays(plan):
    own = (
        "<qgis><fieldConfiguration><field name='zone_id'><editWidget type='mine'/></field></fieldConfiguration></qgis>"
    )
    with closing(sqlite3.connect(plan)) as db, db:
        db.execute("UPDATE layer_styles SET styleQML = ? WHERE f_table_name = 'heads'", (own,))
    write_project(plan, UTM, "Yard", [])
    _, xml = project(plan)
    assert xml.xpath("//field[@name='zone_id']/editWidget[@type='mine']")


def test_where_the_system_has_no_number_the_map_does_without_posts(plan):
    local = CRS("+proj=tmerc +lat_0=48 +lon_0=9.1 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")
    write_project(plan, local, "Yard", [])
    _, xml = project(plan)
    assert {r.get("id") for r in xml.findall("relations/relation")} == {"zones_heads"}


def test_the_file_itself_knows_the_ranges(plan):
    with closing(sqlite3.connect(plan)) as db:
        rows = db.execute(
            "SELECT c.constraint_type, c.min, c.min_is_inclusive, c.max, c.max_is_inclusive FROM gpkg_data_columns d "
            "JOIN gpkg_data_column_constraints c USING (constraint_name) "
            "WHERE d.table_name = 'heads' AND d.column_name = 'height_m'"
        ).fetchall()
    assert rows == [("range", 0.05, 1, 10.0, 1)]


@pytest.mark.validator
def test_a_plan_with_ranges_is_a_valid_geopackage(plan):
    write_project(plan, UTM, "Yard", [])
    assert complaints(plan) == ""
