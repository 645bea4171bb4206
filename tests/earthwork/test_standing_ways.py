"""Ways for water that a site's ground holds already: remedy and grade count on them as drain does."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pypdf

import geotools
from geotools.earthwork.falls import Drainage, WaterRules
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.engine.runner import Job
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula, zone

PRICES = Prices(18.0, 32.0, crossings=(CrossingKind("stone fill", 40.0),))


def test_a_dam_over_a_way_that_stands_needs_no_second_one() -> None:
    """A channel to the south, a pipe in its bed, and works that dam it above the pipe."""
    channel = Formula(lambda x, y: 100 + 0.02 * y + 0.1 * np.abs(x - 25))
    way = np.array([[25.25, 3.75, 100.07], [25.25, -3.75, 99.93]])
    surface = DesignSurface(channel, (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    dam = np.where(strip.cells.movable, np.maximum(strip.cells.ground, 100.3), strip.cells.ground)
    shut = Drainage(surface, strip, WaterRules(catchment_m2=50.0), PRICES)
    ways, _ = shut.after(dam, every=True)
    assert len(ways) == 1
    open_ = Drainage(surface, strip, WaterRules(catchment_m2=50.0, ways=(way,)), PRICES)
    assert open_.after(dam, every=True) == ([], [])
    # a way elsewhere is no help
    aside = Drainage(surface, strip, WaterRules(catchment_m2=50.0, ways=(way + np.array([15.0, 0.0, 1.5]),)), PRICES)
    assert len(aside.after(dam, every=True)[0]) == 1


def test_remedy_and_the_drawings_name_the_ways_of_the_site(make_site, tmp_path: Path) -> None:
    """A dip to be filled, across which a way for water stands."""
    x, y = np.meshgrid(np.arange(100.0), np.arange(100.0))
    dip = 250.0 - 0.3 * np.exp(-(((x - 45.0) / 4.0) ** 2)) - 0.004 * y
    built = {}
    for name in ("without", "with"):
        site = make_site(heights=dip.astype(np.float32), toml='[layout]\nside = "inside"\n')
        if name == "with":
            found = gpd.read_file(built["without"] / "plan.gpkg", layer="water_crossings")
            ends = [(way, end, place) for way, row in enumerate(found.itertuples(), 1) for end, place in _ends(row)]
            gpd.GeoDataFrame(
                {"way": [e[0] for e in ends], "end": [e[1] for e in ends], "level_m": [e[2][2] for e in ends]},
                geometry=gpd.points_from_xy([e[2][0] for e in ends], [e[2][1] for e in ends]),
                crs=found.crs,
            ).to_file(tmp_path / "ways.gpkg", driver="GPKG")
            site.write_text(site.read_text().replace("[input]\n", '[input]\nwaterways = "ways.gpkg"\n', 1))
        built[name] = tmp_path / name
        for step in ("inspect", "layout", "gaps", "remedy"):
            result = geotools.run_step(step, geotools.open_site(site), built[name])
        said = [text for text in result.notes if "input.waterways" in text]
        assert bool(said) == (name == "with")
    with Job(geotools.open_site(site), built["with"], overwrite=True) as job:
        job.run("grade")
    sheets = "".join(p.extract_text() for f in built["with"].rglob("*.pdf") for p in pypdf.PdfReader(f).pages)
    assert "standing, keep open" in " ".join(sheets.split())
    counts = {k: len(gpd.read_file(p / "plan.gpkg", layer="water_crossings")) for k, p in built.items()}
    assert counts["without"] > 0 and counts["with"] < counts["without"]


def _ends(row) -> list[tuple[str, tuple[float, float, float]]]:
    (ax, ay), (bx, by) = row.geometry.coords[0][:2], row.geometry.coords[-1][:2]
    return [("inlet", (ax, ay, row.inlet_m)), ("outlet", (bx, by, row.outlet_m))]
