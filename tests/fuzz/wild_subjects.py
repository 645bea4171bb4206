"""Which file of which small site is replaced by a wild one, and what is run on it then."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from tests.fuzz.subjects import (
    BATCH,
    BOTTOM,
    INSPECT,
    LEFT,
    SITE,
    Subject,
    write_fence,
    write_terrain,
)

_THROUGH_LAYOUT = (INSPECT, ("layout", "SITE", "--out", "OUT"))
_POINT = {"type": "Point", "coordinates": [LEFT + 50, BOTTOM + 50]}
_AREA = {
    "type": "Polygon",
    "coordinates": [[[LEFT + x, BOTTOM + y] for x, y in ((40, 40), (45, 40), (45, 45), (40, 40))]],
}
_GATE = {"type": "LineString", "coordinates": [[LEFT + 45, BOTTOM + 20], [LEFT + 49, BOTTOM + 20]]}


def _site(folder: Path, more: str = "") -> None:
    (folder / "site.toml").write_text(SITE.format(fence="fence.geojson", terrain="terrain.tif") + more)
    write_fence(folder / "fence.geojson", "GeoJSON")
    write_terrain(folder / "terrain.tif")


def _beside(name: str, setting: str, geometry: dict) -> Callable[[Path], None]:
    """A site with a vector file beside the fence; ``setting`` : its section and name."""
    heading, _, key = setting.rpartition(".")

    def make(folder: Path) -> None:
        _site(folder)
        site = folder / "site.toml"
        text = site.read_text()
        told = f'[{heading}]\n{key} = "{name}"\n'
        head = f"[{heading}]\n"
        site.write_text(text.replace(head, told) if head in text else text + "\n" + told)
        feature = {"type": "Feature", "properties": {"camera_id": "C1"}, "geometry": geometry}
        system = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
        (folder / name).write_text(json.dumps({"type": "FeatureCollection", "crs": system, "features": [feature]}))

    return make


def _with_checks(folder: Path) -> None:
    _site(folder, '\n[survey]\ncheck_points = "checks.csv"\n')
    rows = "".join(f"{LEFT + 10 * n},{BOTTOM + 50},250.2\n" for n in range(1, 9))
    (folder / "checks.csv").write_text("x,y,z\n" + rows)


def _manifest(name: str, text: str) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        _site(folder)
        (folder / name).write_text(text)

    return make


def _points(folder: Path) -> None:
    rows = "".join(f"{LEFT + x},{BOTTOM + y},250.0\n" for x in range(10) for y in range(10))
    (folder / "survey.csv").write_text("x,y,z\n" + rows)


def _later(folder: Path) -> None:
    """A site, and the names under which files come back from the field: they are not there yet."""
    _site(folder)


def put_edits(plan: Path, content: bytes) -> None:
    """Edits typed into the layer of the heads, as a GIS would store them."""
    with closing(sqlite3.connect(plan)) as db, db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'heads'"):
            db.execute(f'DROP TRIGGER "{name}"')
        for field, row, value in json.loads(content):
            typed = value.encode("utf-8", "surrogatepass") if isinstance(value, str) else value
            # text goes in as bytes: a file may hold text that is none
            db.execute(
                f'UPDATE heads SET "{field}" = '
                + ("CAST(? AS TEXT)" if isinstance(value, str) else "?")
                + " WHERE fid = ?",
                (typed, row),
            )


def _moved(folder: Path) -> None:
    _site(folder)
    shutil.copy(folder / "terrain.tif", folder / "built.tif")


WILD_SUBJECTS = (
    Subject("wild site file", "site.toml", True, _site, _THROUGH_LAYOUT),
    Subject("site file, legal values", "site.toml", True, _site, _THROUGH_LAYOUT),
    Subject("wild manifest, TOML", "batch.toml", True, _manifest("batch.toml", '[[site]]\nfile = "site.toml"\n'),
            (("batch", "IN/batch.toml", *BATCH),)),
    Subject("wild manifest, CSV", "batch.csv", True, _manifest("batch.csv", "name,file\na,site.toml\n"),
            (("batch", "IN/batch.csv", *BATCH),)),
    Subject("wild fence", "fence.geojson", True, _site, _THROUGH_LAYOUT),
    Subject("wild keep-outs", "outs.geojson", True, _beside("outs.geojson", "input.keep_outs", _AREA),
            _THROUGH_LAYOUT),
    Subject("wild gates", "gates.geojson", True, _beside("gates.geojson", "input.gates", _GATE), _THROUGH_LAYOUT),
    Subject("wild cameras", "eyes.geojson", True, _beside("eyes.geojson", "cameras.positions", _POINT),
            (("cameras", "SITE", "--out", "OUT"),), _THROUGH_LAYOUT),
    Subject("wild terrain", "terrain.tif", False, _site, _THROUGH_LAYOUT),
    Subject("wild survey points", "survey.csv", True, _points,
            (("terrain", "IN/survey.csv", "--out", "OUT/dtm.tif", "--cell", "0.5", "--crs", "EPSG:32632"),)),
    Subject("wild check points", "checks.csv", True, _with_checks, (("gaps", "SITE", "--out", "OUT"),),
            _THROUGH_LAYOUT),
    Subject("wild walk-test results", "results.csv", True, _later,
            (("walktest", "SITE", "--out", "OUT", "--overwrite", "--results", "IN/results.csv"),
             ("export", "SITE", "--out", "OUT")),
            (*_THROUGH_LAYOUT, ("walktest", "SITE", "--out", "OUT", "--trials", "1"))),
    Subject("wild levels as built", "built.tif", False, _moved,
            (("asbuilt", "SITE", "--out", "OUT", "--survey", "IN/built.tif"),),
            (*_THROUGH_LAYOUT, ("gaps", "SITE", "--out", "OUT"), ("heights", "SITE", "--out", "OUT"),
             ("remedy", "SITE", "--out", "OUT"), ("grade", "SITE", "--out", "OUT"))),
    Subject("wild edits of the heads", "out/plan.gpkg", False, _site,
            (("layout", "SITE", "--out", "OUT", "--keep", "--overwrite"), ("channels", "SITE", "--out", "OUT"),
             ("stakeout", "SITE", "--out", "OUT"), ("export", "SITE", "--out", "OUT")),
            _THROUGH_LAYOUT, put_edits),
)  # fmt: skip
