"""What the site says of sources, roads, drains and ground that no trench may touch."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.earthwork.from_plan import no_dig_areas
from geotools.engine.step import StepContext
from geotools.errors import InputError
from geotools.io.features import read_named, read_points
from geotools.plan.schema import FENCE, FLOW_CROSSINGS, WATER_CROSSINGS
from geotools.site import Site
from geotools.steps.routes.ground import Crossed, TrenchGround, TrenchPrices, allowed_ground

__all__ = ["NO_SOURCES", "ground_of", "sources_of", "trench_prices", "waters_of"]

Floats = npt.NDArray[np.float64]
NO_SOURCES = (
    "the site names no source points, so no post is connected: draw the points where power and data come from as a "
    "point layer (field name), and set routes.sources in the site file to that file"
)
_PASSED = ("road", "drain")


def sources_of(site: Site, work_crs: object) -> dict[str, Floats]:
    """Source points by name, m; empty where the site names no file."""
    given = site.routes
    if given.sources is None:
        return {}
    rows = read_points(
        site.path(given.sources),
        "sources",
        "routes.sources",
        work_crs,  # type: ignore[arg-type]
        layer=given.sources_layer,
        crs=given.sources_crs,
    )
    found: dict[str, Floats] = {}
    for number, row in enumerate(rows, 1):
        name = row.get("name")
        called = f"source {number}" if pd.isna(name) or str(name).strip() == "" else str(name).strip()
        if called in found:
            raise InputError(
                "two source points have one name",
                where=f"{given.sources}, feature {number}, field name",
                found=called,
                expected="a name of its own for each",
            )
        found[called] = np.array([row["geometry"].x, row["geometry"].y])
    return found


def trench_prices(site: Site) -> TrenchPrices:
    """A metre of trench with all that lies in it, and crossings."""
    bill, routes = site.bill, site.routes
    metre = bill.trench_m + routes.cables * bill.cable_m + routes.conduits * bill.conduit_m
    return TrenchPrices(metre, bill.road_m, bill.drain_crossing, bill.fence_crossing)


def ground_of(ctx: StepContext, places: Floats) -> TrenchGround:
    """Where trenches may run, with the roads, drains and fences they may cross at a price."""
    site, crs = ctx.site, ctx.workspace.work_crs
    fences = ctx.read(FENCE)
    crossed = [Crossed("fence", str(f.fence_id), f.geometry) for f in fences.itertuples()]
    blocked = list(no_dig_areas(site, crs))
    if site.input.keep_outs is not None:
        given = site.input
        file = site.path(str(given.keep_outs))
        named = read_named(file, "keep-outs", "input.keep_outs", crs, given.keep_outs_layer, given.keep_outs_crs)
        for number, (fields, parts) in enumerate(named, 1):
            kind = str(fields.get("kind") or "")
            if kind not in _PASSED:
                blocked += parts
                continue
            name = fields.get("name")
            words = f"{kind} {number}" if pd.isna(name) or name == "" else str(name)
            crossed += [Crossed(kind, words, part) for part in parts]
    lines = [shapely.force_2d(line) for line in fences.geometry]
    area = allowed_ground(lines, places, blocked, site.routes.clear_m, site.layout.clear_m)
    return TrenchGround(area, tuple(crossed))


def waters_of(ctx: StepContext) -> Sequence[Crossed]:
    """Flow paths and ways for water that the plan knows: trenches may cross them, and each crossing is named."""
    found: list[Crossed] = []
    if ctx.workspace.has(FLOW_CROSSINGS):
        flows: gpd.GeoDataFrame = ctx.read(FLOW_CROSSINGS)
        after = flows[flows["state"] == "after"] if (flows["state"] == "after").any() else flows
        found += [Crossed("flow path", str(f.crossing_id), f.geometry) for f in after.itertuples()]
    if ctx.workspace.has(WATER_CROSSINGS):
        ways = ctx.read(WATER_CROSSINGS)
        found += [Crossed("way for water", str(w.crossing_id), w.geometry) for w in ways.itertuples()]
    return found
