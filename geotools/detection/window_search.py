"""What a site allows to be changed so that a window opens, and the search of one zone: one for every step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from geotools.detection.from_plan import head_types_of, height_limits
from geotools.detection.mover_places import MoverPlaces, Placed, places_of
from geotools.detection.nuisance import ZoneNuisance
from geotools.detection.opening_changes import keep_away, openings
from geotools.detection.openings import Opening, OpeningLimits, OpeningTrial, best_opening
from geotools.detection.operating import OperatingWindow, WeakestCrossing, window_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns
from geotools.detection.unknowns_of_site import accuracy_of, unknowns_of
from geotools.engine.step import StepContext
from geotools.plan.locks import locks_of
from geotools.plan.moving import MoveLimits
from geotools.plan.schema import CLEAR_GROUND, FENCE, HEADS, ZONES

__all__ = [
    "BETTER_KNOWN",
    "CLOSE_FIRST",
    "FoundOpenings",
    "WindowSearch",
    "weakest_crossings",
    "window_search",
]

#: What a window needs that only what is not known exactly of the crossing side closes.
BETTER_KNOWN = "levels and bodies known better: see layers resurvey and sensitivity"
#: What comes before any change for the sake of movers: below the threshold somebody passes undetected.
CLOSE_FIRST = "close its dead spots first"
#: Where the weakest crossing is this many times the strongest response that must not alarm, with what is not known
#: exactly, no change for the sake of movers is looked for (6 dB).
_NEAR = 2.0


def weakest_crossings(crossings: pd.DataFrame) -> dict[str, WeakestCrossing]:
    """The weakest crossing of each zone over all threats, as detection found it; crossings : the layer."""
    found: dict[str, WeakestCrossing] = {}
    for zone_id, rows in crossings.groupby("zone_id"):
        first = rows.loc[rows["modulation"].idxmin()]
        low = rows["modulation_95"].astype(float).min()
        found[str(zone_id)] = WeakestCrossing(
            str(first["threat"]),
            float(first["modulation"]),
            float(first["chainage_m"]),
            None if pd.isna(low) else float(low),
        )
    return found


@dataclass(frozen=True)
class FoundOpenings:
    """What opens one window.

    every : all changes that were tried. best : the one to take. instead : what has to come before any change, or in
    the place of one, in words; empty where changes were tried.
    """

    every: Sequence[Opening] = ()
    best: Opening | None = None
    instead: str = ""


@dataclass(frozen=True)
class WindowSearch:
    """The windows of a perimeter, and what opens them; made by `window_search`."""

    perimeter: Perimeter
    places: MoverPlaces
    unknowns: Unknowns
    limits: OpeningLimits

    def window(
        self, zone_id: str, nuisance: ZoneNuisance, weakest: WeakestCrossing
    ) -> tuple[OperatingWindow, list[Placed]]:
        """A zone's window, and every mover's strongest response where it lives."""
        placed = self.places.of_zone(self.perimeter.zones[zone_id], nuisance)
        found = [one.found for one in placed]
        return window_of(zone_id, weakest, found, self.perimeter.rules.threshold), placed

    def openings(self, window: OperatingWindow, nuisance: ZoneNuisance, *, tried: bool = True) -> FoundOpenings:
        """What opens a window that is not open; ``tried`` : whether changes are to be tried."""
        if not self.perimeter.rules.alarms(window.weakest.modulation):
            return FoundOpenings(instead=CLOSE_FIRST)
        if window.state != "empty" and window.weakest.low is None:
            return FoundOpenings(instead="state the survey's accuracy: what is not known exactly is unknown itself")
        if window.weakest.modulation > _NEAR * window.above_high:
            return FoundOpenings(instead=BETTER_KNOWN)
        if not window.nuisance or not tried:
            return FoundOpenings()
        trial = OpeningTrial(self.perimeter, window.zone_id, window, self.places, self.unknowns, self.limits, nuisance)
        found = openings(trial)
        kept = keep_away(trial, nuisance)
        every, best = best_opening(trial, found if kept is None else [*found, kept])
        return FoundOpenings(every, best)


def window_search(ctx: StepContext, perimeter: Perimeter) -> WindowSearch:
    """The search over a site's perimeter; the step reads fence, zones and beams, and heads and clear ground where
    there are any.
    """
    site, layout = ctx.site, ctx.site.layout
    ground = ctx.read(CLEAR_GROUND).set_index("fence_id").geometry if ctx.workspace.has(CLEAR_GROUND) else {}
    limits = OpeningLimits(
        MoveLimits(dict(ground.items()), layout.margin_m, layout.post_clear_m, layout.fresnel_zones),
        height_limits(site, ctx.read(FENCE)),
        head_types_of(site),
        layout.overlap_m,
        layout.min_zone_m,
        site.prices,
        site.nuisance.reach_m,
        site.nuisance.size_range,
        locks_of(ctx.read(ZONES), ctx.read(HEADS) if ctx.workspace.has(HEADS) else None),
    )
    places = places_of(site, ctx.read, ctx.workspace.work_crs)
    return WindowSearch(perimeter, places, unknowns_of(ctx, accuracy_of(ctx)), limits)
