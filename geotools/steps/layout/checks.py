"""Every rule a layout must keep, checked on zones as they stand, designed or moved by hand. Metres and hertz."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geotools.site.obstacles import Obstacle
from geotools.steps.layout.roles import mixed_junctions
from geotools.steps.layout.width import beam_half_width, beam_outline

__all__ = ["Conflict", "EndDetection", "ExaminedStrip", "LayoutLimits", "check_chain", "check_zone"]

#: A touch smaller than this is the rounding of coordinates, not a fault.
_TOUCH_M = 0.02


@dataclass(frozen=True)
class LayoutLimits:
    """The rules; metres.

    frequency_hz : of the widest beam of the stack. obstacles : keep-outs, named where one is touched.
    """

    longest_m: float
    shortest_m: float
    overlap_m: float
    stagger_m: float
    fresnel_zones: float
    margin_m: float
    post_clear_m: float
    frequency_hz: float
    obstacles: tuple[Obstacle, ...] = ()

    def named(self, shape: BaseGeometry) -> str:
        """The objects that a place lies on or within 0.02 m of, in words for the end of a sentence."""
        words = [one.words for one in self.obstacles if one.shape.distance(shape) <= _TOUCH_M and not one.crossed]
        return f", on {', '.join(words[:3])}" if words else ""


@dataclass(frozen=True)
class EndDetection:
    """What detection says of one end of a zone over level ground, of threats that the stacks there detect at mid-span.

    open_m : by threat, metres of line that it crosses undetected there, neighbours counted in; empty where none does.
    dead_m : dead spot before the head with no neighbour beside, m; inf where it reaches mid-span.
    answered : whether there is any such threat.
    """

    open_m: Mapping[str, float]
    dead_m: float
    answered: bool = True


@dataclass(frozen=True)
class ExaminedStrip:
    """A zone as it stands.

    start, end : (2,) posts in the direction of the fence. start_heads, end_heads : heads on them.
    ranges : head type, shortest and longest distance it serves.
    ends : what is detected at start and end.
    """

    zone_id: str
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    start_heads: tuple[str, ...]
    end_heads: tuple[str, ...]
    starts_with_tx: bool
    ranges: tuple[tuple[str, float, float], ...]
    ends: tuple[EndDetection, EndDetection]

    @property
    def length(self) -> float:
        """Between the posts, m."""
        return float(np.hypot(*(self.end - self.start)))

    @property
    def direction(self) -> NDArray[np.float64]:
        """Unit vector from start to end."""
        return (self.end - self.start) / max(self.length, 1e-9)


@dataclass(frozen=True)
class Conflict:
    """A rule in conflict.

    rule : one of a few words. zone_id : where. heads : those concerned. at : (2,) place, m.
    found, expected : value met and limit, with units. mend : what can be done.
    """

    rule: str
    zone_id: str
    heads: tuple[str, ...]
    at: tuple[float, float]
    found: str
    expected: str
    mend: str


def _place(at: NDArray[np.float64]) -> tuple[float, float]:
    return float(at[0]), float(at[1])


def check_zone(zone: ExaminedStrip, ground: BaseGeometry, limits: LayoutLimits) -> Iterator[Conflict]:
    """Length, range of the heads, posts and beam inside the usable ground."""
    heads, middle = zone.start_heads + zone.end_heads, _place((zone.start + zone.end) / 2)
    if not limits.shortest_m - _TOUCH_M <= zone.length <= limits.longest_m + _TOUCH_M:
        yield Conflict(
            "zone length",
            zone.zone_id,
            heads,
            middle,
            f"{zone.length:.2f} m",
            f"{limits.shortest_m:g} to {limits.longest_m:g} m",
            "move a post, or split the zone",
        )
    for name, least, most in zone.ranges:
        if not least - _TOUCH_M <= zone.length <= most + _TOUCH_M:
            yield Conflict(
                "range of the heads",
                zone.zone_id,
                heads,
                middle,
                f"{zone.length:.2f} m between {name} heads",
                f"{least:g} to {most:g} m",
                "choose another head type for this zone, or move a post",
            )
    for post, on_it in ((zone.start, zone.start_heads), (zone.end, zone.end_heads)):
        for one in (one for one in limits.obstacles if one.crossed and not one.posts):
            apart = one.shape.distance(shapely.Point(post))
            if apart < limits.post_clear_m - _TOUCH_M:
                yield Conflict(
                    "post where none may stand",
                    zone.zone_id,
                    on_it,
                    _place(post),
                    f"{apart:.2f} m from {one.words}",
                    f"at least {limits.post_clear_m:g} m beside it",
                    "move the post; beams may cross there",
                )
        if not shapely.dwithin(ground, shapely.Point(post), _TOUCH_M):
            away = ground.distance(shapely.Point(post))
            yield Conflict(
                "post off the clear ground",
                zone.zone_id,
                on_it,
                _place(post),
                f"{away:.2f} m outside{limits.named(shapely.Point(post))}",
                "inside the clear ground, free of fences and keep-outs",
                "move the post",
            )
        elif shapely.dwithin(
            ground.boundary, shapely.Point(post), limits.post_clear_m - limits.stagger_m / 2 - _TOUCH_M
        ):
            yield Conflict(
                "post close to a fence",
                zone.zone_id,
                on_it,
                _place(post),
                f"{ground.boundary.distance(shapely.Point(post)):.2f} m from the edge of the clear ground",
                f"about {limits.post_clear_m:.2f} m, so that it is no aid to climbing",
                "move the post",
            )
    outline = beam_outline(
        zone.start, zone.end, limits.frequency_hz, zones=limits.fresnel_zones, margin_m=limits.margin_m
    )
    over = outline.difference(ground.buffer(_TOUCH_M)) if not ground.covers(outline) else shapely.Polygon()
    if not over.is_empty and over.area > 0.01:
        part = max(shapely.get_parts(over), key=lambda piece: piece.area)
        at = part.representative_point()
        # how far the strip pokes out: the farthest of its corners from the ground it should stay on
        depth = max(ground.distance(shapely.Point(xy)) for xy in shapely.get_coordinates(part))
        mid = zone.length / 2
        widest = 2 * float(beam_half_width(mid, mid, limits.frequency_hz, zones=limits.fresnel_zones))
        length = float(np.ptp((shapely.get_coordinates(part) - zone.start) @ zone.direction))
        yield Conflict(
            "beam touches fence or keep-out",
            zone.zone_id,
            heads,
            (at.x, at.y),
            f"{depth:.2f} m too wide over {length:.1f} m{limits.named(part)}",
            f"{widest:.2f} m wide at mid-span and {limits.margin_m:g} m free on both sides",
            "move a post, shorten the zone, widen the corridor, or accept alarms from what moves there",
        )


def _check_junction(a: ExaminedStrip, b: ExaminedStrip, limits: LayoutLimits) -> Iterator[Conflict]:
    """Dead spot of each head inside the neighbour's beam; overlap in line; posts out of each other's axis."""
    heads = a.end_heads + b.start_heads
    at = _place((a.end + b.start) / 2)
    name = f"{a.zone_id} {b.zone_id}"
    sides = a.ends[1], b.ends[0]
    open_m = {t: sum(side.open_m.get(t, 0.0) for side in sides) for side in sides for t in side.open_m}
    if open_m or not all(side.answered for side in sides):
        worst = max(open_m, key=lambda threat: open_m[threat], default="")
        if not worst:
            found = "the stacks detect none of the threats"
        else:
            found = f"{open_m[worst]:.1f} m of the line let {worst} through"
            short = [zone.zone_id for zone, side in zip((a, b), sides, strict=True) if np.isinf(side.dead_m)]
            if short:
                found += f"; {' and '.join(short)} detects nothing of it even at mid-span"
        yield Conflict(
            "junction open",
            name,
            heads,
            at,
            found,
            "nobody who is detected at mid-span crosses undetected at the junction",
            "let both beams run on farther past their crossing, or add a head or another sensor there",
        )
    cosine = float(a.direction @ b.direction)
    if cosine > np.cos(np.radians(10.0)):
        overlap = float((a.end - b.start) @ (a.direction + b.direction) / 2)
        # beams that cross at up to 10 degrees overlap by the cosine of half of it less than their runs add up to
        if overlap < 0.995 * limits.overlap_m - 0.05:
            yield Conflict(
                "overlap",
                name,
                heads,
                at,
                f"{overlap:.2f} m in line",
                f"at least {limits.overlap_m:g} m",
                "move the two posts apart along the line",
            )
        for post, on_it, other in ((b.start, b.start_heads, a), (a.end, a.end_heads, b)):
            offset = post - other.start
            along = float(offset @ other.direction)
            aside = abs(float(offset[0] * other.direction[1] - offset[1] * other.direction[0]))
            if 1.0 < along < other.length - 1.0 and aside < 0.35 * limits.stagger_m:
                yield Conflict(
                    "post in a beam's axis",
                    name,
                    on_it,
                    _place(post),
                    f"{aside:.2f} m from the axis of {other.zone_id}",
                    f"about {limits.stagger_m:g} m aside",
                    "set the two posts side by side, not in one line",
                )


def check_chain(zones: Sequence[ExaminedStrip], limits: LayoutLimits, *, closed: bool) -> list[Conflict]:
    """The zones of one course in order, and their junctions.

    Parameters
    ----------
    zones : in the direction of the fence. limits : the rules. closed : whether the last zone meets the first.
    """
    found: list[Conflict] = []
    pairs = list(itertools.pairwise(zones))
    if closed and len(zones) > 1:
        pairs.append((zones[-1], zones[0]))
    for a, b in pairs:
        found += _check_junction(a, b, limits)
    if not closed and zones:
        for post, on_it, zone, end in (
            (zones[0].start, zones[0].start_heads, zones[0], zones[0].ends[0]),
            (zones[-1].end, zones[-1].end_heads, zones[-1], zones[-1].ends[1]),
        ):
            if end.open_m:
                found.append(
                    Conflict(
                        "open end",
                        zone.zone_id,
                        on_it,
                        _place(post),
                        f"dead spot of {max(end.open_m.values()):.1f} m with no neighbour",
                        "another zone, a building or another sensor that covers it",
                        "run the line on past the end of what is protected, or close it",
                    )
                )
    mixed = mixed_junctions([zone.starts_with_tx for zone in zones], closed=closed)
    allowed = 1 if closed and len(zones) % 2 else 0
    for k in mixed:
        a, b = zones[int(k) - 1], zones[int(k)]
        found.append(
            Conflict(
                "transmitter beside receiver",
                f"{a.zone_id} {b.zone_id}",
                a.end_heads + b.start_heads,
                _place((a.end + b.start) / 2),
                "unlike heads at a junction"
                + (", unavoidable: an odd number of zones" if len(mixed) <= allowed else ""),
                "like beside like" if len(mixed) > allowed else "one such junction, where it does least harm",
                "give the two zones different channels" if len(mixed) <= allowed else "swap the roles of one zone",
            )
        )
    return found
