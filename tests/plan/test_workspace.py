"""The plan: whole or not at all, valid, described, styled, in the plan's own units."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from pyproj import CRS
from shapely import LineString, Point

from geotools.errors import OutputError, StepError
from geotools.plan import gpkg
from geotools.plan.schema import FENCE, HEADS, LAYERS, LayerSchema
from geotools.plan.workspace import Workspace, empty_frame, frame_of
from tests.validator import complaints

UTM = CRS("EPSG:32632")


def fence_row(name: str = "F01", length: float = 10.0) -> dict[str, object]:
    shape = LineString([(500_000, 5_400_000), (500_000 + length, 5_400_000)])
    return {"fence_id": name, "source_feature": 1, "closed": False, "length_m": length, "geometry": shape}


def head_row(name: str = "F01-Z001-TX-main") -> dict[str, object]:
    return {
        "head_id": name,
        "zone_id": "F01-Z001",
        "post_id": "F01-Z001-A",
        "role": "transmitter",
        "level": "main",
        "head_type": "10 GHz",
        "height_m": 0.91,
        "polarisation": "vertical",
        "geometry": Point(500_000, 5_400_000, 250.91),
    }


def test_layer_comes_back_as_it_was_written(tmp_path: Path) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({FENCE: frame_of(FENCE, [fence_row()]), HEADS: frame_of(HEADS, [head_row()])})
    assert plan.layer_names() == ["fence", "heads"]
    back = plan.read(HEADS)
    assert back.geometry[0].z == 250.91
    assert back["height_m"][0] == 0.91
    assert plan.read(FENCE)["length_m"].tolist() == [10.0]


def test_a_yes_or_no_left_empty_comes_back_empty(tmp_path: Path) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({FENCE: frame_of(FENCE, [fence_row(), {**fence_row("F02"), "closed": None}])})
    closed = plan.read(FENCE)["closed"]
    assert closed.isna().tolist() == [False, True]
    assert not closed[0]


def test_every_declared_layer_can_be_written_empty(tmp_path: Path) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({schema: empty_frame(schema) for schema in LAYERS.values()})
    assert set(plan.layer_names()) == set(LAYERS)


@pytest.mark.validator
def test_every_declared_layer_written_empty_is_valid(tmp_path: Path) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({schema: empty_frame(schema) for schema in LAYERS.values()})
    assert complaints(plan.plan) == ""


def written_twice(folder: Path) -> Workspace:
    plan = Workspace(folder, UTM)
    plan.write({FENCE: frame_of(FENCE, [fence_row()]), HEADS: frame_of(HEADS, [head_row()])})
    plan.write({FENCE: frame_of(FENCE, [fence_row("F02", 20.0), fence_row("F03", 30.0)])})
    return plan


def test_writing_twice_replaces(tmp_path: Path) -> None:
    plan = written_twice(tmp_path)
    assert plan.read(FENCE)["fence_id"].tolist() == ["F02", "F03"]
    assert len(plan.read(HEADS)) == 1


@pytest.mark.validator
def test_a_plan_written_twice_stays_valid(tmp_path: Path) -> None:
    assert complaints(written_twice(tmp_path).plan) == ""


def test_same_input_gives_the_same_bytes_of_geometry_and_attributes(tmp_path: Path) -> None:
    dumps = []
    for name in ("a", "b"):
        plan = Workspace(tmp_path / name, UTM)
        plan.write({FENCE: frame_of(FENCE, [fence_row()]), HEADS: frame_of(HEADS, [head_row()])})
        with sqlite3.connect(plan.plan) as db:
            dumps.append([row for table in ("fence", "heads") for row in db.execute(f"SELECT * FROM {table}")])
    assert dumps[0] == dumps[1]


def test_words_and_styles_stand_in_the_file(tmp_path: Path) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({HEADS: frame_of(HEADS, [head_row()])})
    with sqlite3.connect(plan.plan) as db:
        title, words = db.execute(
            "SELECT identifier, description FROM gpkg_contents WHERE table_name='heads'"
        ).fetchone()
        notes = dict(db.execute("SELECT column_name, description FROM gpkg_data_columns WHERE table_name='heads'"))
        qml, sld, default = db.execute("SELECT styleQML, styleSLD, useAsDefault FROM layer_styles").fetchone()
        version = db.execute("PRAGMA user_version").fetchone()[0]
    assert (title, words) == (HEADS.title, HEADS.description)
    assert notes["height_m"].endswith("[m]")
    assert "Transmitter head" in qml
    assert "Transmitter head" in sld
    assert default == 1
    assert version == 10300  # OGC 12-128r17, requirement 2: GeoPackage 1.3.0


def test_plan_in_feet_hands_out_metres(tmp_path: Path) -> None:
    # EPSG:2277 counts in US survey feet, 1200/3937 m (NIST SP 811, B.6)
    foot = 1200 / 3937
    plan = Workspace(tmp_path, CRS("EPSG:2277"))
    shape = LineString([(900_000, 3_000_000), (900_010, 3_000_000)])
    row = {**fence_row(), "geometry": shape}
    plan.write({FENCE: frame_of(FENCE, [row])})
    raw = pyogrio.read_dataframe(plan.plan, layer="fence")
    assert raw.crs == CRS("EPSG:2277")
    assert raw.length[0] == pytest.approx(10 / foot)
    back = plan.read(FENCE).geometry[0]
    assert np.asarray(back.coords) == pytest.approx(np.asarray(shape.coords), abs=1e-6)


def test_failing_write_leaves_the_old_plan_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({FENCE: frame_of(FENCE, [fence_row()])})
    before = plan.plan.read_bytes()

    def broken(path: Path, schemas: list[LayerSchema]) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(gpkg, "finish", broken)
    with pytest.raises(OutputError, match="untouched"):
        plan.write({FENCE: frame_of(FENCE, [fence_row("F09")])})
    assert plan.plan.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["plan.gpkg"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"role": "both"}, "not declared"),
        ({"role": None}, "must be filled"),
        ({"height_m": "tall"}, "another type"),
        ({"geometry": Point(500_000, 5_400_000)}, "with heights"),
        ({"geometry": LineString([(0, 0, 1), (1, 1, 1)])}, "another type"),
    ],
)
def test_what_breaks_the_schema_is_named(tmp_path: Path, change: dict[str, object], words: str) -> None:
    with pytest.raises(StepError, match=words) as caught:
        Workspace(tmp_path, UTM).write({HEADS: frame_of(HEADS, [{**head_row(), **change}])})
    assert "heads" in str(caught.value)
    assert not (tmp_path / "plan.gpkg").exists()


def test_keys_are_unique(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="unique"):
        Workspace(tmp_path, UTM).write({HEADS: frame_of(HEADS, [head_row(), head_row()])})


def test_missing_layer_names_its_maker(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="geotools layout"):
        Workspace(tmp_path, UTM).read(HEADS)


def test_layer_edited_in_another_system_is_refused(tmp_path: Path) -> None:
    Workspace(tmp_path, UTM).write({FENCE: frame_of(FENCE, [fence_row()])})
    with pytest.raises(StepError, match="another coordinate system"):
        Workspace(tmp_path, CRS("EPSG:32633")).read(FENCE)


@pytest.mark.validator
def test_validator_sees_a_broken_file(tmp_path: Path) -> None:
    plan = Workspace(tmp_path, UTM)
    plan.write({FENCE: frame_of(FENCE, [fence_row()])})
    with sqlite3.connect(plan.plan) as db:
        db.execute("UPDATE gpkg_geometry_columns SET z = 9")
    assert "z" in complaints(plan.plan)


def test_a_layer_of_another_version_names_the_field_and_the_way_out(tmp_path: Path) -> None:
    plan = written_twice(tmp_path)
    with sqlite3.connect(plan.plan) as db:
        db.execute("ALTER TABLE heads RENAME COLUMN margin_db TO margin")
    with pytest.raises(StepError, match="missing: \\['margin_db'\\]") as problem:
        Workspace(tmp_path, UTM).read(HEADS)
    assert "new folder" in str(problem.value)
