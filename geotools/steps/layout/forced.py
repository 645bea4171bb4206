"""What keeps a beam off the line it was to follow: the zone set on it by trial, and the rules it breaks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geotools.plan.model import Zone
from geotools.site.obstacles import Obstacle
from geotools.steps.layout.off_line import square_off
from geotools.steps.layout.usable import Course
from geotools.steps.layout.width import beam_outline
from geotools.steps.layout.zone_rules import Field, ZoneRules

__all__ = ["OnLine", "forced_off", "off_line_cost"]

Floats = NDArray[np.float64]

#: What the choice of zones lets pass as well, m.
_TOUCH_M = 0.03
#: Neighbours that turn by more meet at a corner, degrees; a corner of the line this near to theirs is the same, m.
_CORNER_DEG, _SAME_CORNER_M = 10.0, 12.0
#: The line turns between the ends of a beam where a place of the straight way lies farther off it, m.
_STRAIGHT_M = 0.5
#: Places of a beam at which its distance from the line is looked at.
_PLACES = 301


@dataclass(frozen=True)
class OnLine:
    """What a zone on the line requested has to meet, and what it weighs to stand off it.

    Attributes
    ----------
    rules : ZoneRules
        Those that the zones were chosen by.
    obstacles : tuple of Obstacle
        Keep-outs, to be named.
    ground : Field
        Level of the ground at places, m.
    off_line : Field
        Distance from the line as the choice counts it, of `distance_off`, m.
    off_line_m : float
        What the choice weighs a metre of beam 1 m off the line by.
    currency : str
        Of that weight.
    """

    rules: ZoneRules
    obstacles: tuple[Obstacle, ...]
    ground: Field
    off_line: Field
    off_line_m: float = 0.0
    currency: str = "EUR"


def forced_off(course: Course, zones: Sequence[Zone], number: int, on_line: OnLine) -> str:
    """Why a zone does not stand on the line of its course, in words.

    Parameters
    ----------
    course : what is followed. zones : all of it, in the fence's direction. number : of the zone among them, from 0.
    on_line : what it would have to meet there.
    """
    zone = zones[number]
    if zone.locked:
        return "its posts are locked"
    own = _breaks(course, zones, number, on_line)
    if own:
        return f"on that line {own[0]}"
    for other in _beside(course, zones, number):
        if zones[other].locked:
            return f"{zones[other].zone_id} beside it is locked"
        theirs = _breaks(course, zones, other, on_line)
        if theirs:
            return f"of {zones[other].zone_id}, with which it shares a junction, on that line {theirs[0]}"
    rise = _rise_m(course, zones, number, on_line)
    # the chain chosen costs least with this weight in it: one along the line costs more by as much in all the rest
    weighs = f"{off_line_cost(zone, on_line):,.0f} {on_line.currency}"
    saved = f"all zones along that line would cost at least {weighs} more (its distance by layout.off_line_m)"
    if rise > on_line.rules.straight_m:
        return f"there the ground lies up to {rise:.2f} m off the straight line between its heads: {saved}"
    return f"no rule keeps it from there: {saved}"


def off_line_cost(zone: Zone, on_line: OnLine) -> float:
    """What the distance of a beam from the line weighs between its junctions, in the site's currency."""
    start, end = _ends(zone)
    length, past = float(np.hypot(*(end - start))), on_line.rules.extension_m
    if length <= 2 * past or on_line.off_line_m == 0.0:
        return 0.0
    along = np.linspace(past, length - past, _PLACES)
    x, y = start[:, None] + (end - start)[:, None] * along / length
    return on_line.off_line_m * float(square_off(on_line.off_line, x[None], y[None], along[None])[0])


def _beside(course: Course, zones: Sequence[Zone], number: int) -> list[int]:
    """Numbers of the zones that share a junction with one."""
    count = len(zones)
    if course.line.is_closed and count > 2:
        return [(number - 1) % count, (number + 1) % count]
    return [other for other in (number - 1, number + 1) if 0 <= other < count]


def _ends(zone: Zone) -> tuple[Floats, Floats]:
    """Posts in the fence's direction."""
    return np.asarray(zone.post(True), float)[:2], np.asarray(zone.post(False), float)[:2]


def _junction(course: Course, zones: Sequence[Zone], number: int, *, last: bool) -> tuple[Floats, bool]:
    """Where a zone and its neighbour would meet on the line, and whether a beam runs past that place."""
    mine = _ends(zones[number])
    count, other = len(zones), number + (1 if last else -1)
    closed = bool(course.line.is_closed)
    if not closed and not 0 <= other < count:
        xy = course.line.coords[-1 if last else 0]
        return np.asarray(xy, float)[:2], False
    theirs = _ends(zones[other % count])
    post = (mine[1] + theirs[0]) / 2 if last else (mine[0] + theirs[1]) / 2
    u, v = (pair[1] - pair[0] for pair in (mine, theirs))
    turn = np.degrees(np.arccos(np.clip(np.dot(u, v) / np.hypot(*u) / np.hypot(*v), -1.0, 1.0)))
    if turn > _CORNER_DEG:
        corners = shapely.get_coordinates(course.line)[:, :2]
        apart = np.hypot(*(corners - post).T)
        if apart.min() <= _SAME_CORNER_M:
            return corners[int(np.argmin(apart))], True
    foot = course.line.interpolate(course.line.project(shapely.Point(post)))
    return np.array([foot.x, foot.y]), True


def _on_line(course: Course, zones: Sequence[Zone], number: int, on_line: OnLine) -> tuple[Floats, Floats] | None:
    """Posts of the zone on the line, in the fence's direction; None where its junctions fall together there."""
    (p, past), (q, past_too) = (_junction(course, zones, number, last=last) for last in (False, True))
    length = float(np.hypot(*(q - p)))
    if length < 1.0:
        return None
    u = (q - p) / length
    return p - past * on_line.rules.extension_m * u, q + past_too * on_line.rules.extension_m * u


def _breaks(course: Course, zones: Sequence[Zone], number: int, on_line: OnLine) -> list[str]:
    """Rules that a zone would break on the line, in words."""
    posts = _on_line(course, zones, number, on_line)
    if posts is None:
        return []
    found = []
    middle = [posts[0] + share * (posts[1] - posts[0]) for share in np.linspace(0.1, 0.9, 17)]
    if max(course.line.distance(shapely.Point(place)) for place in middle) > _STRAIGHT_M:
        found.append("there is a bend between its ends")
    length = float(np.hypot(*(posts[1] - posts[0])))
    if length > on_line.rules.longest_m + _TOUCH_M:
        found.append(f"it would be {length:.1f} m long, and {on_line.rules.longest_m:.0f} m is the longest here")
    ends = ("transmitter", "receiver") if zones[number].forward else ("receiver", "transmitter")
    for post, role in zip(map(shapely.Point, posts), ends, strict=True):
        found += _post_breaks(course, post, role, on_line)
    outline = beam_outline(
        *posts, on_line.rules.frequency_hz, zones=on_line.rules.fresnel_zones, margin_m=on_line.rules.margin_m
    )
    hit = [one.words for one in on_line.obstacles if not one.crossed and one.shape.intersects(outline)]
    if hit:
        found.append(f"the beam would touch {hit[0]}")
    elif not found and not course.ground.buffer(_TOUCH_M).covers(outline):
        found.append("the beam would leave the clear ground")
    return found


def _post_breaks(course: Course, post: shapely.Point, role: str, on_line: OnLine) -> list[str]:
    """What a post stands too near to."""
    least = on_line.rules.post_clear_m
    for one in on_line.obstacles:
        if not one.posts and one.shape.distance(post) < least - _TOUCH_M:
            return [
                f"the {role} post would stand {one.shape.distance(post):.2f} m from {one.words}, {least:g} m is least"
            ]
    inside = course.ground.contains(post)
    apart = course.ground.boundary.distance(post) if inside else 0.0
    if apart >= least - _TOUCH_M:
        return []
    fence = course.fence.distance(post)
    where = f"{fence:.2f} m from the fence" if inside else "beyond the clear ground"
    past = f"{on_line.rules.extension_m:.1f} m past its junction"
    return [f"the {role} post, {past}, would stand {where}, {least:g} m inside is least"]


def _rise_m(course: Course, zones: Sequence[Zone], number: int, on_line: OnLine) -> float:
    """How far the ground under the zone on the line lies off the straight line between its heads, m."""
    posts = _on_line(course, zones, number, on_line)
    if posts is None:
        return 0.0
    share = np.linspace(0.0, 1.0, 101)
    x, y = (posts[0][axis] + share * (posts[1][axis] - posts[0][axis]) for axis in (0, 1))
    level = np.asarray(on_line.ground(x, y), dtype=np.float64)
    rise = np.abs(level - (level[0] + share * (level[-1] - level[0])))
    return float(np.nanmax(rise, initial=0.0))
