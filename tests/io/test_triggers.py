"""Triggers that would write behind a step's back are refused, in a plan and in input; a GeoPackage's own are not."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import geopandas as gpd
import pytest
from shapely import Point

from geotools.errors import InputError
from geotools.io.triggers import keeps_an_index
from geotools.io.vector_kind import check_database


@pytest.fixture
def layer(tmp_path):
    """A GeoPackage as GDAL writes it, with its own triggers."""
    path = tmp_path / "plan.gpkg"
    gpd.GeoDataFrame({"n": [1]}, geometry=[Point(0, 0)], crs=32632).to_file(path, layer="dead_spots", driver="GPKG")
    return path


def run(path, *statements):
    with closing(sqlite3.connect(path)) as db, db:
        for statement in statements:
            db.execute(statement)


def test_the_triggers_of_a_geopackage_are_its_own(layer):
    with closing(sqlite3.connect(layer)) as db:
        held = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    assert {name.split("_")[0] for name, _ in held} >= {"rtree", "trigger", "gpkg"}
    assert [name for name, statement in held if not keeps_an_index(name, statement)] == []
    check_database(layer, "plan")


@pytest.mark.parametrize(
    "statement",
    [
        # a step writes its layer and registers it; the layer is empty when the step says that it wrote it
        'CREATE TRIGGER x AFTER UPDATE ON gpkg_contents BEGIN DELETE FROM "dead_spots"; END',
        'CREATE TRIGGER rtree_dead_spots_geom_update6 AFTER INSERT ON dead_spots BEGIN DELETE FROM "dead_spots"; END',
        "CREATE TRIGGER rtree_dead_spots_geom_update6 AFTER INSERT ON dead_spots BEGIN "
        'DELETE FROM "rtree_dead_spots_geom" WHERE id = OLD.fid; UPDATE dead_spots SET n = 0; END',
        "CREATE TRIGGER trigger_insert_feature_count_x AFTER INSERT ON dead_spots BEGIN "
        "UPDATE [dead_spots] SET n = 0; END",
        "CREATE TRIGGER gpkg_guard BEFORE INSERT ON dead_spots BEGIN SELECT load_extension('x'); END",
        "CREATE TRIGGER gpkg_guard BEFORE INSERT ON dead_spots BEGIN SELECT RAISE(IGNORE); END",
        "CREATE TRIGGER a BEFORE INSERT ON dead_spots BEGIN SELECT RAISE(ABORT, 'BEGIN x; END'); "
        "DELETE FROM 'dead_spots'; END",
    ],
)
def test_any_other_is_refused_with_its_name(layer, statement):
    run(layer, 'DROP TRIGGER IF EXISTS "rtree_dead_spots_geom_update6"', statement)
    with pytest.raises(InputError, match="runs statements of its own") as caught:
        check_database(layer, "plan")
    assert caught.value.found == f"trigger {statement.split()[2]!r}"
