"""Two runs of one site are equal in every file but the log: tables, plan, drawing, model, sheets, forms.

Red when a date, a random number or a counter of the process enters a file. Five seconds of processor a run: nothing
shorter writes a drawing, a model, sheets and forms.
"""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin

import geotools
from geotools.engine.runner import run_site

STEPS = ["inspect", "layout", "gaps", "remedy", "grade", "walktest", "bill"]
SITE = """name = "Short line"
threats = ["prone"]
[input]
fence = "fence.geojson"
terrain = "terrain.tif"
vertical_accuracy_m = 0.03
vertical_datum = "local"
[layout]
side = "left"
setback_m = 3.0
[detection]
uncertain = []
"""


def write_site(folder: Path) -> Path:
    """A straight fence of 40 m with one dip beside it."""
    folder.mkdir()
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    line = {"type": "LineString", "coordinates": [[500_005.0, 5_400_012.0], [500_045.0, 5_400_012.0]]}
    feature = {"type": "Feature", "properties": {}, "geometry": line}
    text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})
    (folder / "fence.geojson").write_text(text, encoding="utf-8")
    y, x = np.mgrid[0:60, 0:100] * 0.5
    level = 250.0 - 0.45 * np.exp(-(((x - 25.0) / 3.0) ** 2)) + 0.01 * y
    profile = {"driver": "GTiff", "width": 100, "height": 60, "count": 1, "dtype": "float32", "crs": "EPSG:32632"}
    place = from_origin(500_000.0, 5_400_030.0, 0.5, 0.5)
    with rasterio.open(folder / "terrain.tif", "w", **profile, transform=place) as raster:
        raster.write(level.astype("float32"), 1)
    site = folder / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    return site


def test_two_runs_are_equal_in_every_file_but_the_log(tmp_path: Path) -> None:
    files = []
    site = write_site(tmp_path / "site")
    for name in ("first", "second"):
        run_site(geotools.open_site(site), tmp_path / name, steps=STEPS)
        files.append({str(p.relative_to(tmp_path / name)): p for p in (tmp_path / name).rglob("*") if p.is_file()})
    assert set(files[0]) == set(files[1])
    kinds = {Path(name).suffix for name in files[0]}
    assert {".dxf", ".xml", ".pdf", ".gpkg", ".xlsx", ".tif", ".csv", ".gpx", ".json"} <= kinds
    # a whole file to the database, which knows its size from the header
    with closing(sqlite3.connect(files[0]["plan.gpkg"])) as plan:
        assert plan.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        pages, size = (plan.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    assert pages * size == files[0]["plan.gpkg"].stat().st_size
    differ = [name for name in files[0] if files[0][name].read_bytes() != files[1][name].read_bytes()]
    assert differ == ["run.log"]
    assert re.search(rb"\d\d:\d\d", files[0]["run.log"].read_bytes())
