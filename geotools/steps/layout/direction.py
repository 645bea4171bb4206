"""A course in one form, however its fence was drawn: another first vertex or direction gives the same layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from geotools.steps.layout.held import HeldZone
from geotools.steps.layout.kernel import PostedSpan
from geotools.steps.layout.usable import Course

__all__ = ["AsDrawn", "in_one_way"]

#: Direction that decides which end or corner is first; along no axis, so that noise does not decide between two.
_FIRST = np.array([0.618, 0.786])
#: The first vertex as drawn is a corner only where the line bends by this much there, m.
_BEND_M = 0.01


@dataclass(frozen=True)
class AsDrawn:
    """The way back from a course in its one way to how the fence was drawn.

    turned : the line runs the other way. shift_m : chainage, along the line in its one way, where it was drawn from
    (closed lines). length_m : of the line. closed : whether it is a ring.
    """

    turned: bool
    shift_m: float
    length_m: float
    closed: bool

    def chainage(self, given_m: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Chainage in the one way of a chainage as drawn; the same function leads back for open lines."""
        along = self.length_m - np.asarray(given_m) if self.turned else np.asarray(given_m, dtype=np.float64)
        return np.mod(along + self.shift_m, self.length_m) if self.closed else along

    def _drawn(self, chainage_m: NDArray[np.float64]) -> NDArray[np.float64]:
        along = np.mod(chainage_m - self.shift_m, self.length_m) if self.closed else chainage_m
        return self.length_m - along if self.turned else along

    def stretches(self, gates: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        """Stretches of the line as drawn, in the one form."""
        told = [tuple(self.chainage(np.array(stretch)).tolist()) for stretch in gates]
        return sorted((b, a) if self.turned else (a, b) for a, b in told)

    def held(self, zones: Sequence[HeldZone]) -> list[HeldZone]:
        """Zones as they stand as drawn, in the one form; a ring may start anywhere."""
        return [zone.turned() for zone in reversed(zones)] if self.turned else list(zones)

    def zones(self, posted: Sequence[PostedSpan]) -> list[PostedSpan]:
        """Zones in the direction of the fence as it was drawn, numbered from where it starts."""
        drawn = [replace(zone, chainage=self._drawn(zone.chainage)) for zone in posted]
        if self.turned:
            drawn = [
                replace(
                    zone,
                    start=zone.end,
                    end=zone.start,
                    chainage=zone.chainage[::-1],
                    starts_with_tx=not zone.starts_with_tx,
                    room=zone.room[::-1],
                    wanted=zone.wanted[::-1],
                )
                for zone in drawn[::-1]
            ]
        if not self.closed:
            return drawn
        first = min(range(len(drawn)), key=lambda k: drawn[k].chainage[0] % self.length_m)
        return drawn[first:] + drawn[:first]


def in_one_way(course: Course) -> tuple[Course, AsDrawn]:
    """The course with its line in the one form, and the way back.

    A ring runs anticlockwise from its outermost corner in a direction that no axis takes, an open line from the end
    that lies farther back in that direction.
    """
    line, closed = course.line, bool(course.line.is_closed)
    xy = shapely.get_coordinates(line)
    turned = not shapely.is_ccw(shapely.LinearRing(line.coords)) if closed else bool(xy[0] @ _FIRST > xy[-1] @ _FIRST)
    if turned:
        xy = xy[::-1]
    shift = 0.0
    if closed:
        first = int(np.argmin(xy[:-1] @ _FIRST))
        shift = float(np.hypot(*np.diff(xy[first:], axis=0).T).sum()) if first else 0.0
        ring = np.roll(xy[:-1], -first, axis=0)
        xy = np.vstack([ring, ring[:1]])
        # where the drawing began is no corner of its own
        began = -first % len(ring)
        if first and shapely.distance(shapely.Point(xy[began]), LineString(xy[[began - 1, began + 1]])) < _BEND_M:
            xy = np.delete(xy, began, axis=0)
    told = replace(course, line=LineString(xy), inward=-course.inward if turned else course.inward)
    return told, AsDrawn(turned, shift, line.length, closed)
