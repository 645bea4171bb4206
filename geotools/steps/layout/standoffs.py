"""Why every beam stands where it does, and the ground each zone has to keep clear of which mover."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geotools.corridor import BeamLine
from geotools.detection.level_ground import Stack
from geotools.detection.level_reach import LevelReach, ReachDoubt, level_reach
from geotools.detection.mover_places import movers_of, read_features
from geotools.plan.model import Zone
from geotools.plan.moving import moved_sideways
from geotools.site import Site
from geotools.steps.layout.closeness import Closeness, Habitat, habitats_of, living_beside
from geotools.steps.layout.forced import OnLine, forced_off
from geotools.steps.layout.usable import Course
from geotools.steps.layout.width import beam_half_width

__all__ = ["Standoffs", "leaning", "said"]

Row = dict[str, Any]
Floats = NDArray[np.float64]

#: Heights are taken to this for a table of reach, so that heads set one by one share tables, m.
_HEIGHT_M = 0.05
#: Spacing of the places of a beam that are looked at, m.
_EVERY_M = 0.5
#: A beam this near to the line that was asked for stands on it, m; less of it within reach is none, m.
_SAME_M, _NONE_M = 0.5, 0.5
#: Places near both ends of a beam, clear of the corners, shares of its length; how far they may differ, m.
_NEAR_ENDS, _LEANS_M = (0.15, 0.85), 1.0
#: What asks for clear ground where no mover asks for more.
_BEAM = "the beam itself (first Fresnel zone and margin)"


@dataclass(frozen=True)
class _Asking:
    """A mover where it lives beside one beam, m.

    left : on which side. far_m : how far its middle has to stay off anywhere beside the beam. best_m, keep_m, away_m :
    where it has least to spare, how far it reaches by the best estimate, how far it has to stay off, how near it comes.
    """

    mover: str
    place: str
    left: bool
    far_m: float
    best_m: float
    keep_m: float
    away_m: float

    @property
    def words(self) -> str:
        return f"{self.mover} {_where(self.place)}"


def _where(place: str) -> str:
    return {"outside": "beyond the fence", "fence": "on the fence"}.get(place, f"on {place}")


def _places(zone: Zone) -> tuple[Floats, Floats, Floats, Floats]:
    """Places of a beam: share of the way from head to head, x and y, and the length of the beam at each, (n,)."""
    count = max(int(np.ceil(zone.line.length / _EVERY_M)), 2)
    share = (np.arange(count) + 0.5) / count
    x, y = zone.line.to_map(share * zone.line.length)
    return share, x, y, np.full(count, zone.line.length)


class Standoffs:
    """What lives beside the beams of a site, and how far it reaches.

    site : settings and files. work_crs : plane system, m. longest_m : longest zone.
    """

    def __init__(self, site: Site, work_crs: CRS, longest_m: float) -> None:
        self.site, self.longest_m = site, longest_m
        self.features = read_features(site, work_crs)
        self.movers = living_beside(movers_of(site), self.features)
        self._reach: dict[Stack, LevelReach] = {}
        self._habitats: dict[str, list[Habitat]] = {}

    def reach(self, stack: Stack) -> LevelReach:
        """Reach of the movers beside a stack, solved once."""

        def near(height_m: float) -> float:
            return max(round(height_m / _HEIGHT_M), 2) * _HEIGHT_M

        stack = tuple(
            replace(pair, tx_height_m=near(pair.tx_height_m), rx_height_m=near(pair.rx_height_m)) for pair in stack
        )
        if stack not in self._reach:
            settings, detection = self.site.nuisance, self.site.detection
            doubt = ReachDoubt(settings.size_range, detection.aim_tolerance_deg)
            self._reach[stack] = level_reach(
                stack, self.longest_m, self.movers, detection.threshold, settings.reach_m, doubt
            )
        return self._reach[stack]

    def habitats(self, course: Course) -> list[Habitat]:
        """Where something lives beside one course."""
        if course.fence_id not in self._habitats:
            settings = self.site.nuisance
            self._habitats[course.fence_id] = habitats_of(
                course, self.movers, self.features, settings.mapped_accuracy_m, settings.reach_m
            )
        return self._habitats[course.fence_id]

    def closeness(self, course: Course, stack: Stack, spine: Floats, radius_m: float) -> Closeness | None:
        """Says where beams of a course lie within reach; None where nothing lives beside it that reaches anywhere."""
        habitats = self.habitats(course)
        if not habitats or self.site.prices.nuisance_m == 0.0:
            return None
        found = Closeness(habitats, self.reach(stack), spine, radius_m)
        return found if found.reaches else None

    def rows(self, course: Course, zones: Sequence[Zone], on_line: OnLine | None) -> list[Row]:
        """Rows of the layer standoffs; on_line : what a designed zone has to meet, None of zones kept as they stand."""

        def forced(number: int) -> str:
            return "as its posts stand" if on_line is None else forced_off(course, zones, number, on_line)

        return [self._row(course, zone, partial(forced, k)) for k, zone in enumerate(zones) if zone.pairs]

    def _row(self, course: Course, zone: Zone, forced: Callable[[], str]) -> Row:
        reach, length = self.reach(zone.pairs), zone.line.length
        asking = self._asking(course, zone, reach)
        outer_left = (course.inward > 0.0) != zone.forward
        layout = self.site.layout
        own = float(
            beam_half_width(
                length / 2,
                length / 2,
                min(pair.head_type.frequency_hz for pair in zone.pairs),
                zones=layout.fresnel_zones,
                margin_m=layout.margin_m,
            )
        )
        sides = []
        for left in (outer_left, not outer_left):
            most = max((one for one in asking if one.left == left), key=lambda one: one.far_m, default=None)
            wider = most is not None and most.far_m > own
            sides.append((most.far_m, most.words) if most is not None and wider else (own, _BEAM))
        nearest = min(asking, key=lambda one: one.away_m - one.keep_m, default=None)
        reached = self._reached_m(course, zone, reach)
        fence_m = self._from_fence_m(course, zone)
        asked = None if layout.side == "between" else layout.setback_m
        return {
            "zone_id": zone.zone_id,
            "fence_m": fence_m,
            "asked_m": asked,
            "outside_m": sides[0][0],
            "outside_for": sides[0][1],
            "inside_m": sides[1][0],
            "inside_for": sides[1][1],
            "width_m": sides[0][0] + sides[1][0],
            "nearest": None if nearest is None else nearest.words,
            "reach_m": None if nearest is None else nearest.best_m,
            "keep_m": None if nearest is None else nearest.keep_m,
            "away_m": None if nearest is None else nearest.away_m,
            "reached_m": reached,
            "out_of_reach": reached <= _NONE_M,
            "cost": reached * self.site.prices.nuisance_m,
            "why": self._why(course, zone, reach, (forced, nearest), (fence_m, asked, reached)),
            "geometry": zone.line.line(),
        }

    def _asking(self, course: Course, zone: Zone, reach: LevelReach) -> list[_Asking]:
        """Movers that live within the distance that is looked at and reach the threshold beside the beam."""
        line, far = zone.line, self.site.nuisance.reach_m
        beside, beam = line.rectangle(0.0, line.length, far), line.line()
        share, x, y, lengths = _places(zone)
        found = []
        for habitat in self.habitats(course):
            near = shapely.intersection(habitat.shape, beside)
            if near.is_empty:
                continue
            at = shapely.get_coordinates(shapely.shortest_line(beam, near))[-1]
            left = bool(line.from_map(at[0], at[1])[1] > 0.0)
            apart = habitat.distance_m(x, y)
            for name in habitat.movers:
                best = reach.at(reach.joined([name], high=False), share, lengths)
                high = reach.at(reach.joined([name]), share, lengths)
                if high.max() == 0.0:
                    continue
                nearer = habitat.nearer_m[name]
                # a place that may be mapped wrongly is kept farther off; one beyond the fence is as far as it is
                keep, away = high + max(nearer, 0.0), apart - min(nearer, 0.0)
                worst = int(np.argmin(away - keep))
                found.append(
                    _Asking(
                        name,
                        habitat.name,
                        left,
                        float(keep.max()),
                        float(best[worst]),
                        float(keep[worst]),
                        float(away[worst]),
                    )
                )
        return found

    def _reached_m(self, course: Course, zone: Zone, reach: LevelReach) -> float:
        share, x, y, lengths = _places(zone)
        reached = np.zeros(share.size, dtype=bool)
        for habitat in self.habitats(course):
            reached |= habitat.distance_m(x, y) < reach.at(habitat.table(reach), share, lengths)
        return float(reached.mean() * zone.line.length)

    @staticmethod
    def _from_fence_m(course: Course, zone: Zone) -> float:
        # its middle half: near a corner the fence of the next side is nearer than the one it follows
        x, y = zone.line.to_map(np.linspace(0.25, 0.75, 9) * zone.line.length)
        return float(np.mean(shapely.distance(course.fence, shapely.points(x, y))))

    def _why(
        self,
        course: Course,
        zone: Zone,
        reach: LevelReach,
        reasons: tuple[Callable[[], str], _Asking | None],
        found: tuple[float, float | None, float],
    ) -> str:
        """Why the beam stands where it does, in words.

        reasons : what keeps it off the line, who comes nearest. found : from the fence, set-back, within reach, m.
        """
        (forced, nearest), (fence_m, asked, reached) = reasons, found
        lean = leaning(course.line, zone.line)
        at = np.mean(
            [course.line.distance(shapely.Point(zone.line.to_map(s * zone.line.length))) for s in (0.25, 0.75)]
        )
        x, y = zone.line.to_map(zone.line.length / 2)
        foot = shapely.get_coordinates(shapely.shortest_line(shapely.Point(x, y), course.line))[-1]
        words = [f"{fence_m:.1f} m from the fence"]
        if at <= _SAME_M:
            words.append("midway" if asked is None else "on the line of layout.setback_m")
            words += [f"{text}: {forced()}" for text in lean]
        else:
            _, offset = zone.line.from_map(foot[0], foot[1])
            there = self._reached_m(course, moved_sideways(zone, float(offset)), reach)
            why = None
            if self.site.prices.nuisance_m > 0.0 and there > reached + _NONE_M:
                why = f"there {there:.0f} m of it would be within reach of what is no threat"
            line = "the line midway" if asked is None else "the line of layout.setback_m"
            words += [f"{at:.1f} m off {line}: {why or forced()}", *lean]
        if nearest is None:
            words.append("nothing that lives beside it reaches the threshold")
        else:
            state = "out of reach" if reached <= _NONE_M else f"{reached:.0f} m of it within reach"
            words.append(
                f"{state}: {nearest.words} has to stay {nearest.keep_m:.1f} m off, comes to {nearest.away_m:.1f} m"
            )
        return "; ".join(words)


def leaning(asked: shapely.LineString, beam: BeamLine) -> list[str]:
    """Where a beam does not run along the line that it was asked to follow, in words; empty where it does."""
    one, other = (float(asked.distance(shapely.Point(beam.to_map(s * beam.length)))) for s in _NEAR_ENDS)
    if abs(one - other) <= _LEANS_M:
        return []
    return [f"not along that line: {one:.1f} m off it near the transmitter, {other:.1f} m near the receiver"]


def said(rows: Sequence[Row]) -> str:
    """What a run says of them, in one line."""
    within = [row for row in rows if not row["out_of_reach"]]
    if not within:
        return "over level ground no beam is within reach of what lives beside the fence; see layer standoffs"
    first = max(within, key=lambda row: row["reached_m"])
    return (
        f"{len(within)} of {len(rows)} beams are within reach of what lives beside the fence, over level ground: first "
        f"{first['zone_id']}, {first['reached_m']:.0f} m of it ({first['nearest']}); see layer standoffs"
    )
