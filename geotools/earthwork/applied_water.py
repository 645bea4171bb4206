"""What a proposed site keeps of the works that made its ground: where levels are not measured, where water runs."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
from shapely import Point

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.from_plan import CUT_FILL
from geotools.earthwork.waterway import standing_ways
from geotools.io.grids import GridBand, write_grid
from geotools.io.sparse_grid import SparseGrid
from geotools.plan.schema import WATER_CROSSINGS
from geotools.plan.workspace import Workspace
from geotools.site import Site
from geotools.site.sources import file_parts, open_works
from geotools.terrain.design import DesignSurface

__all__ = ["write_waterways", "write_works"]

_NOTHING_M = 1e-6
#: Works of an earlier proposal are looked for so far beside the strip of today's, m.
_BESIDE_M = 3.0


def write_works(
    folder: Path, job: Path, site: Site, workspace: Workspace, surface: DesignSurface, perimeter: Perimeter
) -> Path:
    """Write the change of level by all works that nobody has measured yet into a folder: these, and earlier ones that
    the site's terrain holds already.

    Returns
    -------
    The file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = folder / CUT_FILL
    earlier = open_works(site, workspace.plan_crs)
    if earlier is None:
        for part in file_parts(job / CUT_FILL):
            shutil.copyfile(part, folder / part.name)
        return made
    change = SparseGrid(surface.change.shape, np.nan)
    blank, reach = surface.blank(), site.grading.under_m + site.grading.batter_m + _BESIDE_M
    with earlier:
        for zone_id, zone in perimeter.zones.items():
            strip = blank.strip_cells({zone_id: zone.line}, reach)
            row, column = surface.locate(strip.x, strip.y)
            total = surface.change[row, column] + np.nan_to_num(earlier.sample(strip.x, strip.y))
            worked = np.abs(total) > _NOTHING_M
            change[row[worked], column[worked]] = total[worked]
    bands = [GridBand(change, "fill (positive) or cut (negative)")]
    write_grid(made, workspace.plan_crs, surface.transform, bands)
    return made


def write_waterways(path: Path, site: Site, workspace: Workspace) -> bool:
    """Write inlets and outlets of all ways for water through works: the proposal's, and those the site names already.

    Returns
    -------
    Whether there are any; without, nothing is written.
    """
    ways = standing_ways(site, workspace.work_crs)
    if workspace.has(WATER_CROSSINGS):
        for row in workspace.read(WATER_CROSSINGS).itertuples():
            (ax, ay), (bx, by) = row.geometry.coords[0][:2], row.geometry.coords[-1][:2]
            ways.append(np.array([[ax, ay, row.inlet_m], [bx, by, row.outlet_m]]))
    if not ways:
        return False
    rows = [
        {"way": number, "end": end, "level_m": float(z), "geometry": Point(x, y)}
        for number, way in enumerate(ways, start=1)
        for end, (x, y, z) in zip(("inlet", "outlet"), way, strict=True)
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    frame = gpd.GeoDataFrame(rows, crs=workspace.work_crs).to_crs(workspace.plan_crs)
    frame.to_file(path, layer="waterways", driver="GPKG")
    return True
