"""The plan as one map: the project that is stored in the GeoPackage, written without the GIS."""

import io
import json
import sqlite3
import zipfile
from contextlib import closing

import numpy as np
import pytest
import rasterio
from lxml import etree
from pyproj import CRS
from rasterio.transform import from_origin
from shapely import LineString, Polygon

from geotools.plan.project import PROJECT_NAME, write_project
from geotools.plan.project.tree import GROUPS, VectorEntry
from geotools.plan.schema import DEAD_SPOTS, FENCE, LAYERS, PROVENANCE, VERDICTS, Field, LayerSchema
from geotools.plan.workspace import Workspace, empty_frame, frame_of
from tests.validator import complaints

UTM = CRS("EPSG:32632")
HEIGHTS = CRS("EPSG:32632+5783")


def verdict(threat: str, number: int, word: str) -> dict:
    line = LineString([(500_000 + 10 * number, 5_400_000), (500_010 + 10 * number, 5_400_000)])
    return {"verdict_id": f"F01-{threat}-{number}", "fence_id": "F01", "threat": threat, "verdict": word, "from_m": 0.0,
            "to_m": 10.0, "zone_id": None, "confidence": 1.0, "cause": None, "settle": None, "field": "profile",
            "geometry": line}  # fmt: skip


def spot(threat: str, number: int) -> dict:
    row = dict.fromkeys(DEAD_SPOTS.field_names)
    shape = Polygon([(500_000, 5_400_000), (500_001, 5_400_000), (500_001, 5_400_001)])
    return row | {"spot_id": f"F01-Z001-{threat}-{number}", "zone_id": "F01-Z001", "threat": threat, "method": "wave",
                  "cause": "dip", "geometry": shape}  # fmt: skip


@pytest.fixture
def plan(tmp_path):
    """A plan with verdicts and dead spots of two threats, one of them with an apostrophe in its name."""
    made = Workspace(tmp_path, UTM)
    rows = [verdict(t, n, "detected") for n, t in enumerate(("walk", "diver's crawl", "all"))]
    spots = [spot("walk", 1), spot("diver's crawl", 1), spot("diver's crawl", 2)]
    fence = {"fence_id": "F01", "source_feature": 1, "closed": False, "length_m": 30.0,
             "geometry": LineString([(500_000, 5_400_000), (500_030, 5_400_000)])}  # fmt: skip
    made.write(
        {
            FENCE: frame_of(FENCE, [fence]),
            VERDICTS: frame_of(VERDICTS, rows),
            DEAD_SPOTS: frame_of(DEAD_SPOTS, spots),
            PROVENANCE: empty_frame(PROVENANCE),
        }
    )
    return made.plan


def project(path):
    with closing(sqlite3.connect(path)) as db:
        metadata, content = db.execute("SELECT metadata, content FROM qgis_projects").fetchone()
    with zipfile.ZipFile(io.BytesIO(bytes.fromhex(content))) as archive:
        assert archive.namelist() == [f"{PROJECT_NAME}.qgs"]
        return json.loads(metadata), etree.fromstring(archive.read(f"{PROJECT_NAME}.qgs"))


def raster(path, bands=1, words=("",)):
    profile = {"driver": "GTiff", "height": 4, "width": 4, "count": bands, "dtype": "float32", "crs": "EPSG:32632"}
    with rasterio.open(path, "w", transform=from_origin(500_000, 5_400_010, 1, 1), **profile) as out:
        for band in range(1, bands + 1):
            out.write(np.ones((4, 4), np.float32), band)
            out.set_band_description(band, words[band - 1])
    return path


def test_every_declared_layer_has_its_place_once():
    named = [entry.layer for group in GROUPS for entry in group.entries if isinstance(entry, VectorEntry)]
    assert len(named) == len(set(named))
    assert set(LAYERS) - set(named) == {"provenance"}


def test_layers_stand_in_their_groups_with_relative_sources(plan, tmp_path):
    rasters = [raster(tmp_path / "crawl_gap.tif"), raster(tmp_path / "corridor.tif", 2, ("best modulation: walk", "b"))]
    assert write_project(plan, UTM, "Yard", [*rasters, raster(tmp_path / "strange.tif")])
    _, xml = project(plan)
    groups = {
        group.get("name"): [(n.get("name"), n.get("checked")) for n in group.iter("layer-tree-layer")]
        for group in xml.findall("layer-tree-group/layer-tree-group")
    }
    assert list(groups) == ["Fence and verdicts", "Weak places", "Other layers"]
    on, off = "Qt::Checked", "Qt::Unchecked"
    assert groups["Fence and verdicts"] == [
        ("Verdicts along the fence: worst of all threats", on),
        ("Verdicts along the fence: diver's crawl", off),
        ("Verdicts along the fence: walk", off),
        ("Fence line", on),
    ]
    # the threat that gets through in fewest places lies on top of the other
    assert groups["Weak places"] == [
        ("Dead spots: walk", on),
        ("Dead spots: diver's crawl", on),
        ("Crawl gap", off),
        ("Modulation: walk", off),
        ("Modulation: b", off),
    ]
    sources = [node.text for node in xml.findall("projectlayers/maplayer/datasource")]
    assert "./plan.gpkg|layername=dead_spots|subset=\"threat\" = 'diver''s crawl'" in sources
    assert all(source.startswith("./") for source in sources) and len(sources) == 10
    text = etree.tostring(xml).decode()
    assert str(tmp_path) not in text
    ids = [node.text for node in xml.findall("projectlayers/maplayer/id")]
    assert len(set(ids)) == len(ids) and min(map(len, ids)) > 10
    assert xml.find("layer-tree-group/custom-order")[0].text == ids[0]


def test_the_map_has_a_layout_for_paper_of_the_site_at_a_round_scale(plan):
    write_project(plan, UTM, "Yard [% 1 + 1 %] <b>", [])
    _, xml = project(plan)
    (layout,) = xml.findall("Layouts/Layout")
    items = {item.get("id"): item for item in layout.iter("LayoutItem")}
    assert set(items) == {"page", "map", "title", "notes", "legend", "scale bar"}
    assert items["page"].get("size") == "420,297,mm"
    view = items["map"].find("Extent")
    # 30 m of fence with a margin go onto 310 mm at 1:125 (ISO 5455's series, with the engineer's scales between)
    assert (float(view.get("xmax")) - float(view.get("xmin"))) == pytest.approx(310 * 125 / 1000)
    assert float(view.get("xmin")) < 500_000 and float(view.get("xmax")) > 500_030
    assert items["legend"].get("map_uuid") == items["scale bar"].get("mapUuid") == items["map"].get("uuid")
    # a name is no expression
    assert "[%" not in items["title"].get("labelText") and "<b>" in items["title"].get("labelText")
    assert "need-to-know" in items["notes"].get("labelText") and "1:125" in items["notes"].get("labelText")


def test_a_stored_project_is_the_same_bytes_each_time(plan, tmp_path):
    rasters = [raster(tmp_path / "design.tif")]
    held = []
    for _ in range(2):
        assert write_project(plan, UTM, "Yard", rasters)
        with closing(sqlite3.connect(plan)) as db:
            held.append(db.execute("SELECT * FROM qgis_projects").fetchall())
            db.execute("DELETE FROM qgis_projects")
            db.commit()
    assert held[0] == held[1] and len(held[0]) == 1


def test_a_project_that_a_person_saved_stays(plan):
    assert write_project(plan, UTM, "Yard", [])
    assert write_project(plan, UTM, "Yard of another name", [])
    assert project(plan)[1].findtext("title") == "Yard of another name"
    with closing(sqlite3.connect(plan)) as db, db:
        db.execute("UPDATE qgis_projects SET content = substr(content, 1) || '00'")
        db.execute("INSERT INTO qgis_projects VALUES ('mine', '{}', 'ff')")
    assert not write_project(plan, UTM, "Yard", [])
    with closing(sqlite3.connect(plan)) as db:
        held = dict(db.execute("SELECT name, content FROM qgis_projects"))
    assert held["mine"] == "ff" and held[PROJECT_NAME].endswith("00")


@pytest.mark.parametrize("metadata", ["no json", "[]", '{"last_modified_user": "somebody"}', None, b"\xff"])
def test_whatever_is_no_project_of_ours_stays(plan, metadata):
    write_project(plan, UTM, "Yard", [])
    with closing(sqlite3.connect(plan)) as db, db:
        db.execute("UPDATE qgis_projects SET metadata = ?", (metadata,))
    assert not write_project(plan, UTM, "Yard", [])


def test_a_persons_own_default_style_is_the_one_in_the_map(plan):
    with closing(sqlite3.connect(plan)) as db, db:
        db.execute("UPDATE layer_styles SET styleQML = '<qgis><renderer-v2 type=\"mine\"/></qgis>' "
                   "WHERE f_table_name = 'fence'")  # fmt: skip
        db.execute("UPDATE layer_styles SET styleQML = 'no xml' WHERE f_table_name = 'dead_spots'")
    write_project(plan, UTM, "Yard", [])
    _, xml = project(plan)
    drawn = {
        layer.findtext("datasource").split("layername=")[1].split("|")[0]: layer.find("renderer-v2")
        for layer in xml.findall("projectlayers/maplayer")
    }
    assert drawn["fence"].get("type") == "mine" and drawn["dead_spots"] is None
    assert drawn["verdicts"].get("type") == "categorizedSymbol"


def test_the_map_has_the_horizontal_system_and_begins_at_the_fence(plan):
    write_project(plan, HEIGHTS, "Yard", [])
    _, xml = project(plan)
    assert xml.findtext("projectCrs/spatialrefsys/authid") == "EPSG:32632"
    view = xml.find("ProjectViewSettings/DefaultViewExtent")
    assert float(view.get("xmin")) < 500_000 and float(view.get("xmax")) > 500_030


def test_layers_of_another_distribution_stand_with_the_others(plan):
    schema = LayerSchema("ends", "Ends", "Ends of it.", None, (Field("n", "integer", "number"),), made_by="ends")
    held = Workspace(plan.parent, UTM)
    held.write({schema: empty_frame(schema)})
    write_project(plan, UTM, "Yard", [], {"ends": schema})
    _, xml = project(plan)
    group = xml.findall("layer-tree-group/layer-tree-group")[-1]
    assert [n.get("name") for n in group.iter("layer-tree-layer")] == ["Ends", "Provenance"]


@pytest.mark.validator
def test_a_plan_with_its_project_is_a_valid_geopackage(plan):
    write_project(plan, UTM, "Yard", [])
    assert complaints(plan) == ""


def test_the_plans_system_is_looked_up_once_for_all_its_layers(monkeypatch):
    from geotools.plan.project import xml as project

    own = CRS("+proj=lcc +lat_1=43.2 +lat_2=45.7 +lat_0=41.9 +lon_0=-120.3 +x_0=412345.7 +y_0=0 +ellps=GRS80 +units=m")
    asked = []
    looked_up = CRS.to_authority
    monkeypatch.setattr(CRS, "to_authority", lambda self, *a, **k: asked.append(1) or looked_up(self, *a, **k))
    node = project.Element("test")
    for _ in range(5):
        project._system(node, own)
    assert len(asked) == 1 and [one.find("authid").text for one in node] == [""] * 5
