"""A short form of the fuzz run, and traps set by hand; the long one is `python -m tests.fuzz.run`."""

from __future__ import annotations

import json
import socket
import sqlite3
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import fiona
import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio.transform import from_origin

from geotools.errors import InputError
from geotools.io.features import read_figures, read_points
from geotools.io.rasters import open_raster
from geotools.io.vectors import read_fence
from geotools.plan.workspace import Workspace
from geotools.steps.walktest.reading import read_form, refuse_losing
from geotools.terrain.model import Terrain
from tests.fuzz.mutate import mutated
from tests.fuzz.run import run, run_wild
from tests.fuzz.subjects import BOTTOM, LEFT, SUBJECTS, write_fence, write_terrain
from tests.fuzz.wild_subjects import WILD_SUBJECTS

LINE = {"type": "LineString", "coordinates": [[500000, 5400000], [500010, 5400010]]}


def test_damaged_files_of_every_kind_are_answered_in_words() -> None:
    result = run(2 * len(SUBJECTS), [s.name for s in SUBJECTS], first_seed=900_000)
    assert result["faults"] == []


def test_wild_files_of_every_kind_are_answered_in_words() -> None:
    # the long run has the kind whose site takes long to prepare, too
    kinds = [s.name for s in WILD_SUBJECTS if len(s.prepare) < 4]
    assert len(kinds) == len(WILD_SUBJECTS) - 1
    result = run_wild(len(kinds), kinds, seed=None)
    assert result["faults"] == []


@pytest.fixture(scope="module")
def listener() -> Iterator[tuple[str, list[bytes]]]:
    """A server on this machine that must never be asked anything."""
    asked: list[bytes] = []
    server = socket.create_server(("127.0.0.1", 0))

    def answer() -> None:
        while True:
            try:
                peer, _ = server.accept()
            except OSError:
                return
            with peer:
                asked.append(peer.recv(1000))
                peer.sendall(b"HTTP/1.0 404 no\r\nContent-Length: 0\r\n\r\n")

    threading.Thread(target=answer, daemon=True).start()
    yield f"http://127.0.0.1:{server.getsockname()[1]}", asked
    server.close()


def geojson(crs: object) -> str:
    feature = {"type": "Feature", "properties": {}, "geometry": LINE}
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.geojson", lambda url: geojson({"type": "link", "properties": {"href": url}})),
        ("b.geojson", lambda url: geojson({"type": "name", "properties": {"name": url}})),
        ("c.geojson", lambda url: geojson({"type": "name", "properties": {"name": "EPSG:999999"}})),
        ("d.xml", lambda url: f"<OGRWFSDataSource><URL>{url}</URL></OGRWFSDataSource>"),
        ("e.vrt", lambda url: f"<OGRVRTDataSource><SrcDataSource>/vsicurl/{url}</SrcDataSource></OGRVRTDataSource>"),
        ("f.gml", lambda url: f'<FeatureCollection xmlns:x="x" x:schemaLocation="{url}"/>'),
        ("g.gpx", lambda url: f'<!DOCTYPE gpx [<!ENTITY e SYSTEM "{url}">]><gpx>&e;</gpx>'),
    ],
)
def test_a_fence_file_cannot_make_the_machine_fetch(
    tmp_path: Path, listener: tuple[str, list[bytes]], name: str, text
) -> None:
    url, asked = listener
    (tmp_path / name).write_text(text(url))
    with pytest.raises(InputError):
        read_fence(tmp_path / name)
    assert asked == []


@pytest.mark.parametrize("read", [read_figures, read_points])
@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.vrt", "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/vsicurl/URL</SrcDataSource></OGRVRTLayer>"),
        ("b.xml", "<OGRWFSDataSource><URL>URL</URL></OGRWFSDataSource>"),
        ("c.geojson", '{"type": "FeatureCollection", "crs": {"type": "link", "properties": {"href": "URL"}}}'),
        ("d.csv", "camera_id,WKT\r\nC1,POINT (0 0)\r\n"),
    ],
)
def test_what_stands_beside_the_fence_cannot_make_the_machine_fetch(
    tmp_path: Path, listener: tuple[str, list[bytes]], read, name: str, text: str
) -> None:
    url, asked = listener
    (tmp_path / name).write_text(text.replace("URL", url))
    with pytest.raises(InputError):
        read(tmp_path / name, "gates", "input.gates", CRS("EPSG:32632"))
    assert asked == []


def test_a_system_whose_name_cannot_be_decoded_is_told_in_words(tmp_path: Path) -> None:
    # an undecodable name alone is one fault of the library, with a damaged number beside it another
    write_fence(tmp_path / "f.shp", "ESRI Shapefile")
    whole = (tmp_path / "f.prj").read_bytes()
    for name, number in ((b"Zon\xff", b"0.0"), (b"Zon\xff", b"0\xe90"), (b"Zone", b"0\x800")):
        damaged = whole.replace(b"Zone", name, 1).replace(b'"False_Northing",0.0', b'"False_Northing",' + number)
        assert damaged != whole
        (tmp_path / "f.prj").write_bytes(damaged)
        with pytest.raises(InputError, match="fence file cannot be read"):
            read_fence(tmp_path / "f.shp")


def test_a_plan_with_a_view_is_refused_before_it_is_read(tmp_path: Path) -> None:
    write_fence(tmp_path / "plan.gpkg", "GPKG")
    with sqlite3.connect(tmp_path / "plan.gpkg") as db:
        db.execute("CREATE VIEW trap AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i FROM n) SELECT i FROM n")
    with pytest.raises(InputError, match="statements of its own"):
        Workspace(tmp_path, CRS("EPSG:32632")).check_free()


@pytest.mark.parametrize(
    "source", ["/vsicurl/URL/x.tif", "URL/x.tif", "<GDAL_WMS/>", "WMS:URL", "/vsizip/a.zip/b.tif", "&#47;vsicurl/URL/x"]
)
def test_a_virtual_raster_cannot_make_the_machine_fetch(
    tmp_path: Path, listener: tuple[str, list[bytes]], source: str
) -> None:
    url, asked = listener
    text = source.replace("URL", url).replace("<", "&lt;")
    (tmp_path / "t.vrt").write_text(
        '<VRTDataset rasterXSize="1" rasterYSize="1"><VRTRasterBand dataType="Byte" band="1"><SimpleSource>'
        f"<SourceFilename>{text}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    with pytest.raises(InputError, match="not a local file"):
        open_raster(tmp_path / "t.vrt")
    assert asked == []


def test_entities_are_not_expanded(tmp_path: Path) -> None:
    bomb = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 20))
    (tmp_path / "t.vrt").write_text(f'<!DOCTYPE x [<!ENTITY l0 "l">{bomb}]><VRTDataset>&l19;</VRTDataset>')
    with pytest.raises(InputError, match="entities"):
        open_raster(tmp_path / "t.vrt")


def test_a_virtual_raster_of_itself_is_refused(tmp_path: Path) -> None:
    (tmp_path / "t.vrt").write_text(
        '<VRTDataset rasterXSize="1" rasterYSize="1"><VRTRasterBand dataType="Byte" band="1"><SimpleSource>'
        '<SourceFilename relativeToVRT="1">t.vrt</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>'
    )
    with pytest.raises(InputError, match="nested"):
        open_raster(tmp_path / "t.vrt")


def test_an_absurd_size_is_refused_before_anything_is_held(tmp_path: Path) -> None:
    (tmp_path / "t.vrt").write_text(
        '<VRTDataset rasterXSize="2147483647" rasterYSize="2147483647"><VRTRasterBand dataType="Float32" band="1"/>'
        "</VRTDataset>"
    )
    with pytest.raises(InputError, match="absurd size"):
        open_raster(tmp_path / "t.vrt")


def test_one_huge_block_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.tif"
    profile = {"driver": "GTiff", "width": 64, "height": 64, "count": 1, "dtype": "uint8", "tiled": True}
    with rasterio.open(path, "w", blockxsize=64, blockysize=64, **profile) as raster:
        raster.write(np.zeros((64, 64), np.uint8), 1)
    data = bytearray(path.read_bytes())
    at = struct.unpack_from("<I", data, 4)[0]
    for entry in range(struct.unpack_from("<H", data, at)[0]):
        place = at + 2 + 12 * entry
        tag = struct.unpack_from("<H", data, place)[0]
        if tag in (256, 257, 322, 323):  # width, height, and the same of a tile
            struct.pack_into("<HII", data, place + 2, 4, 1, 64_000)
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"huge pieces|cannot be read"):
        open_raster(path)


def test_a_view_that_never_ends_is_refused(tmp_path: Path) -> None:
    write_fence(tmp_path / "f.gpkg", "GPKG")
    with sqlite3.connect(tmp_path / "f.gpkg") as db:
        db.execute(
            "CREATE VIEW trap AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n"
        )
    with pytest.raises(InputError, match="statements of its own"):
        read_fence(tmp_path / "f.gpkg")


def test_a_text_grid_that_is_cut_short_is_refused_before_it_is_read(tmp_path: Path) -> None:
    # GDAL would look for each of 5.7 million missing numbers at the end of the file
    head = "ncols 32767\nnrows 175\nxllcorner 0\nyllcorner 0\ncellsize 1\nNODATA_value -9999\n"
    (tmp_path / "t.asc").write_text(head + "1.5 " * 200)
    with pytest.raises(InputError, match="cut short"):
        open_raster(tmp_path / "t.asc")
    (tmp_path / "u.asc").write_text(head.replace("32767", "20").replace("175", "10") + "1.5 " * 200)
    with open_raster(tmp_path / "u.asc") as raster:
        assert raster.read(1).sum() == 300.0


@pytest.mark.parametrize("cell", [1e-5, 2e4, 1e296])
def test_cells_of_an_absurd_size_are_refused(tmp_path: Path, cell: float) -> None:
    write_terrain(tmp_path / "t.tif", transform=from_origin(LEFT, BOTTOM + 100, cell, cell))
    with pytest.raises(InputError, match=r"absurd size|cannot be read"):
        Terrain(tmp_path / "t.tif", CRS("EPSG:32632"))


def test_a_raster_that_lies_nowhere_in_the_plans_system_is_told(tmp_path: Path) -> None:
    write_terrain(tmp_path / "t.tif", crs="EPSG:4326", transform=from_origin(-523.4, 1e20, 1e-3, 1e-3))
    with pytest.raises(InputError, match="cannot be read"):
        Terrain(tmp_path / "t.tif", CRS("EPSG:32632"))


def test_damaged_results_of_a_walk_test_are_told_in_words(tmp_path: Path) -> None:
    path = tmp_path / "walk_test.gpkg"
    schema = {"geometry": "Point", "properties": {"crossing_id": "str", "result": "str"}}
    with fiona.open(path, "w", driver="GPKG", layer="walk_test", schema=schema, crs="EPSG:32632") as out:
        row = {"crossing_id": "F01-Z001-walk-01", "result": "detected"}
        out.write({"type": "Feature", "properties": row, "geometry": {"type": "Point", "coordinates": (5e5, 5.4e6)}})
    whole = path.read_bytes()
    assert read_form(path).filled["F01-Z001-walk-01"]["result"] == "detected"
    refused = 0
    for seed in range(80):
        path.write_bytes(mutated(whole, seed, text=False))
        try:
            read_form(path)
        except InputError:
            refused += 1
    assert refused > 5
    path.write_bytes(whole)
    with sqlite3.connect(path) as db:
        db.execute("CREATE VIEW trap AS SELECT 1")
    with pytest.raises(InputError, match="statements of its own"):
        read_form(path)


def test_a_walkers_control_characters_do_not_reach_the_plan(tmp_path: Path) -> None:
    path = tmp_path / "walk_test.csv"
    path.write_text("crossing_id,result,note\nF01-Z001-walk-01,missed,a\x1b[2Jb\n")
    with pytest.raises(InputError, match=r"row 2, crossing F01-Z001-walk-01, note"):
        read_form(path)


def test_a_damaged_form_is_told_before_it_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "walk_test.gpkg"
    path.write_bytes(b"SQLite format 3\x00" + b"x" * 5000)
    with pytest.raises(InputError, match="results cannot be read"):
        refuse_losing([path], {})


def test_a_block_repeated_without_end_is_refused(tmp_path: Path) -> None:
    (tmp_path / "f.dxf").write_text(
        "0\nSECTION\n2\nENTITIES\n0\nINSERT\n2\nB\n10\n0\n20\n0\n70\n30000\n71\n30000\n44\n1\n45\n1\n0\nENDSEC\n0\nEOF\n"
    )
    with pytest.raises(InputError, match="repeats a block"):
        read_fence(tmp_path / "f.dxf", crs="EPSG:32632")


def test_archives_are_not_opened_by_another_name(tmp_path: Path) -> None:
    import zipfile

    write_terrain(tmp_path / "t.tif")
    with zipfile.ZipFile(tmp_path / "t.zip", "w") as archive:
        archive.write(tmp_path / "t.tif", "t.tif")
    for name in ("t.shp", "t.gpkg", "t.geojson"):
        (tmp_path / name).write_bytes((tmp_path / "t.zip").read_bytes())
        with pytest.raises(InputError, match="kind that is not read"):
            read_fence(tmp_path / name)


def test_remote_files_can_be_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import zipfile

    write_terrain(tmp_path / "t.tif")
    with zipfile.ZipFile(tmp_path / "t.zip", "w") as archive:
        archive.write(tmp_path / "t.tif", "t.tif")
    name = f"/vsizip/{tmp_path / 't.zip'}/t.tif"
    with pytest.raises(InputError, match="not a local file"):
        open_raster(name)
    monkeypatch.setenv("GEOTOOLS_ALLOW_REMOTE", "1")
    with open_raster(name) as raster:
        assert raster.width == 100
