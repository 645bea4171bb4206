"""Declaration of the window step: zones, beams and crossings in; reach of movers and operating windows out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geotools.beam.movers import Mover
from geotools.detection.chains import perimeter_of
from geotools.detection.mover_places import movers_of
from geotools.detection.nuisance import ZoneNuisance, nuisance_of
from geotools.detection.operating import OperatingWindow, WeakestCrossing
from geotools.detection.perimeter import Perimeter
from geotools.detection.surface_windows import MoversBeside, closing_depth, surface_windows
from geotools.detection.unanswered import zones_beside
from geotools.detection.window_search import BETTER_KNOWN, CLOSE_FIRST, weakest_crossings, window_search
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import StepError
from geotools.plan import cautions
from geotools.plan.map_raster import Band, MapRaster, bounds_of
from geotools.plan.schema import (
    BEAMS,
    CLEAR_GROUND,
    CROSSINGS,
    FENCE,
    HEADS,
    NUISANCE_REACH,
    OPERATING_WINDOWS,
    OPTIONS,
    SET_OFF,
    WINDOW_OPTIONS,
    WINDOW_SURFACES,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.steps.window.rows import Row, option_row, reach_rows, set_off_rows, surface_row, window_row
from geotools.steps.window.spoken import closed_first, closing_table, proposed_words, tell

RASTER = "nuisance.tif"
#: Zones whose surroundings are held at once.
_AT_ONCE = 8


def _advised(ctx: StepContext) -> dict[str, Row]:
    """What the step remedy recommends for each zone, where it has run: rows of the layer options."""
    if not ctx.workspace.has(OPTIONS):
        return {}
    rows = ctx.read(OPTIONS)
    taken = rows[rows["recommended"].fillna(False).astype(bool) & (rows["option"] != "none")]
    return {str(row["zone_id"]): row for row in taken.to_dict("records")}


class _Run:
    """One run: what is computed for every zone, and the rows that come of it."""

    def __init__(self, ctx: StepContext, perimeter: Perimeter) -> None:
        self.ctx, self.perimeter = ctx, perimeter
        self.search, self.advised = window_search(ctx, perimeter), _advised(ctx)
        self.places, self.unknowns = self.search.places, self.search.unknowns
        self.reach: list[Row] = []
        self.set_off: list[Row] = []
        self.windows: list[Row] = []
        self.options: list[Row] = []

    def add(self, zone_id: str, nuisance: ZoneNuisance, weakest: WeakestCrossing) -> None:
        """Everything of one zone."""
        zone, threshold = self.perimeter.zones[zone_id], self.ctx.site.detection.threshold
        inside_left = self.places.inside_left.get(zone.fence_id, True)
        self.reach += reach_rows(zone, nuisance, threshold, inside_left != zone.forward)
        window, placed = self.search.window(zone_id, nuisance, weakest)
        known = frozenset(feature.name for feature in self.places.features)
        self.set_off += set_off_rows(zone, placed, nuisance, threshold, known)
        row = window_row(zone, window, placed) | {"proposed": proposed_words(self.advised.get(zone_id))}
        if window.state != "open":
            row |= self._opened(window, nuisance)
        self.windows.append(row)

    def _opened(self, window: OperatingWindow, nuisance: ZoneNuisance) -> Row:
        """What opens a window that is not open."""
        found = self.search.openings(window, nuisance, tried=self.ctx.params["openings"])
        if found.instead == CLOSE_FIRST:
            return closed_first(self.advised.get(window.zone_id))
        if found.instead:
            return {"opens_by": found.instead}
        self.options += [
            option_row(window.zone_id, number, one, one is found.best) for number, one in enumerate(found.every, 1)
        ]
        locked = self.search.limits.locks.words(window.zone_id)
        if found.best is not None:
            return {"opens_by": ". ".join(filter(None, (found.best.words, locked))), "opens_cost": found.best.cost}
        if not window.nuisance or not self.ctx.params["openings"]:
            return {}
        known = window.weakest.modulation > window.above_high
        nothing = ". ".join(filter(None, ("nothing that was tried; see window_options", locked)))
        return {"opens_by": BETTER_KNOWN if known else nothing}

    def under_surfaces(self, movers: Mapping[str, Mover]) -> list[Row]:
        """Rows of the windows under grass and snow; the depth at which each closes is put into its own row."""
        beside = MoversBeside(movers, self.places, self.ctx.site.nuisance.reach_m)
        found = surface_windows(self.perimeter, beside, sorted(self.ctx.site.nuisance.depths_m))
        for row in self.windows:
            row["closes_at_m"] = closing_depth(found, str(row["zone_id"]))
        return [surface_row(one) for one in found]


def run(ctx: StepContext) -> StepResult:
    """What alarms though nobody intrudes, and the window of every zone; see the manual beside this file."""
    site = ctx.site
    weakest = weakest_crossings(ctx.read(CROSSINGS))
    perimeter = perimeter_of(site, ctx.read, ctx.terrain, ctx.warn)
    beside = zones_beside(perimeter)
    for text in beside.values():
        ctx.warn(text)
    answered = [zone_id for zone_id in perimeter.zones if zone_id not in beside]
    missing = [zone_id for zone_id in answered if zone_id not in weakest]
    if missing:
        raise StepError(
            "zones have no weakest crossing",
            where="layer crossings",
            found=", ".join(missing[:6]),
            expected="one crossing or more for every zone",
            mend="run `geotools gaps` by the wave method first",
        )
    movers = movers_of(site)
    made = _Run(ctx, perimeter)
    names = answered
    lines = [zone.line for zone in perimeter.zones.values()]
    raster = MapRaster(
        ctx.scratch / RASTER,
        ctx.workspace.plan_crs,
        site.detection.spacing_m,
        bounds_of(lines, site.nuisance.reach_m + 0.5),
        tuple(Band(f"largest modulation of {name}", "1", larger=True) for name in movers),
    )
    for start in range(0, len(names), _AT_ONCE):
        part = names[start : start + _AT_ONCE]
        around = nuisance_of(
            perimeter,
            part,
            movers,
            site.nuisance.reach_m,
            larger=site.nuisance.size_range,
            aim_deg=made.unknowns.aim_deg,
        )
        for number, zone_id in enumerate(part, start + 1):
            raster.lay(around[zone_id].grid, [around[zone_id].best(name) for name in movers])
            made.add(zone_id, around[zone_id], weakest[zone_id])
            ctx.progress(number, len(names), "zones")
    if not raster.finish():
        ctx.say("the raster reaches very far: written as tiled GeoTIFF without overviews")
    surfaces = made.under_surfaces(movers) if ctx.params["surfaces"] else []
    tell(ctx, made.windows, made.set_off, bool(made.places.features))
    crs = ctx.workspace.work_crs
    states = [row["state"] for row in made.windows]
    summary: dict[str, Any] = {
        "windows": {state: states.count(state) for state in ("open", "narrow", "empty")},
        "empty": [row["zone_id"] for row in made.windows if row["state"] == "empty"],
        "set_off": sorted({row["zone_id"] for row in made.set_off if row["sets_off"] == "yes"}),
        "table": closing_table(made.windows, site.prices.currency),
    }
    return StepResult(
        layers={
            "nuisance_reach": frame_of(NUISANCE_REACH, made.reach, crs),
            "set_off": frame_of(SET_OFF, made.set_off, crs),
            "operating_windows": frame_of(OPERATING_WINDOWS, made.windows, crs),
            "window_options": frame_of(WINDOW_OPTIONS, made.options),
            "window_surfaces": frame_of(WINDOW_SURFACES, surfaces),
        },
        files=[RASTER],
        summary=summary,
    )


STEP = Step(
    name="window",
    title="Find what alarms though nobody intrudes, and the operating window of every zone",
    summary="Finds how far movers that are no threat set a zone off, and the thresholds between them and the threats.",
    run=run,
    params=(
        Param("surfaces", "flag", "also look at every window under grass and snow (nuisance.depths_m)", default=False),
        Param("openings", "flag", "also search what opens a window that is not open", default=True),
    ),
    inputs=(
        LayerIn(FENCE, "what lies beyond it"),
        LayerIn(ZONES, "which zones follow each other"),
        LayerIn(BEAMS, "heads, kinds and heights"),
        LayerIn(HEADS, "which heads and posts are locked", required=False),
        LayerIn(CROSSINGS, "the weakest crossing of each zone: what must alarm"),
        LayerIn(CLEAR_GROUND, "where a line may be moved to", required=False),
        LayerIn(OPTIONS, "what closes the dead spots of a zone, with price", required=False),
    ),
    outputs=(
        LayerOut(NUISANCE_REACH),
        LayerOut(SET_OFF),
        LayerOut(OPERATING_WINDOWS),
        LayerOut(WINDOW_OPTIONS),
        LayerOut(WINDOW_SURFACES),
    ),
    files=(FileOut(RASTER, "raster", "largest modulation that each mover gives at every place beside the beams"),),
    order=47,
    citations=(
        "forward scatter of an opaque body, 4 pi A^2 / wavelength^2: Siegel, Proc. IRE, 1958 (from memory)",
        "flank of a body at grazing incidence: physical optics, method of images (any antenna handbook)",
        "change of the signal with the level of a mirror: Hadamard's formula",
    ),
    cautions=(
        "A model: the walk test measures the weakest that must alarm, "
        "a week of logged alarms the strongest that must not.",
        cautions.DETECTION,
        cautions.SENSITIVE,
    ),
)
