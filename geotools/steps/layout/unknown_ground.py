"""Ground that no beam can span because its level is not known: a course is laid out in the pieces beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.ops import substring

from geotools.errors import InfeasibleError
from geotools.steps.layout.edges import Field
from geotools.steps.layout.held import HeldZone
from geotools.steps.layout.kernel import PostedSpan
from geotools.steps.layout.usable import Course

__all__ = ["LaidBeside", "SpanLimits", "laid_beside", "unknown_stretches", "unknown_words"]

#: Spacing of the places that are looked at along a course, m.
_STEP_M = 1.0
#: Posts belong to a piece of a course whose end their foot on the line lies past by less than this, m.
_BESIDE_M = 1.5
#: Posts nearer than this are one, m.
_SAME_M = 1e-6


@dataclass(frozen=True)
class _CoursePiece:
    """A piece of a course with an open line. starts_m : chainage of its start along the whole course's line."""

    course: Course
    starts_m: float

    def within(self, stretches: Sequence[tuple[float, float]], length_m: float) -> list[tuple[float, float]]:
        """Those stretches of the whole line, ``length_m`` long, that lie in this piece, from its own start."""
        own = self.course.line.length
        found = []
        for start, end in stretches:
            first, span = (start - self.starts_m) % length_m, (end - start) % length_m
            if first + span <= own + 1e-6:
                found.append((first, first + span))
        return found

    def standing(self, zones: Sequence[HeldZone], whole: LineString) -> list[HeldZone]:
        """Zones as they stand that reach into this piece, in its order; what they hold outside of it is let go here.

        A zone that reaches in from the hole and holds nothing here counts too: it says that the next one, held or not,
        is no end of the line.
        """
        own, length = self.course.line.length, whole.length
        slack = (length - own) / 2 if whole.is_closed else 0.0
        found: list[tuple[float, HeldZone]] = []
        for zone in zones:
            along = np.array([whole.project(shapely.Point(post)) for post in (zone.start, zone.end)]) - self.starts_m
            if whole.is_closed:
                along = np.mod(along + slack, length) - slack
            # posts stand beside the line: at a corner their feet on it may lie past its end
            inside = (along > -_BESIDE_M) & (along < own + _BESIDE_M)
            if inside.any():
                holds = bool(inside[0] and zone.holds[0]), bool(inside[1] and zone.holds[1])
                found.append((float(along.mean()), replace(zone, holds=holds)))
        found.sort(key=lambda one: one[0])
        held = [zone for _, zone in found]
        return held if any(any(zone.holds) for zone in held) else []

    def whole(self, span: PostedSpan, length_m: float) -> PostedSpan:
        """A zone laid out on this piece with its chainages along the whole line."""
        return replace(span, chainage=np.mod(span.chainage + self.starts_m, length_m))


def _places(line: LineString, offsets_m: Sequence[float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Chainages along a line, (n,), and the places beside each, (n, offsets, 2), m."""
    count = max(int(np.ceil(line.length / _STEP_M)), 2)
    chainage = np.linspace(0.0, line.length, count + 1)
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, chainage))
    ahead = np.minimum(chainage + 0.05, line.length)
    behind = np.maximum(chainage - 0.05, 0.0)
    way = shapely.get_coordinates(shapely.line_interpolate_point(line, ahead)) - shapely.get_coordinates(
        shapely.line_interpolate_point(line, behind)
    )
    left = np.column_stack([-way[:, 1], way[:, 0]]) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return chainage, at[:, None, :] + np.asarray(offsets_m)[None, :, None] * left[:, None, :]


def unknown_stretches(line: LineString, ground: Field, offsets_m: Sequence[float]) -> list[tuple[float, float]]:
    """Stretches of a line beside which no post can stand, for the level is known at none of the offsets.

    Parameters
    ----------
    line : LineString
        Of a course, m.
    ground : Field
        Ground height at any points, m; not finite where it is not known.
    offsets_m : sequence of float
        Where beside the line posts may stand, m to the left.

    Returns
    -------
    list of (float, float)
        Start and end along the line, m, in order. On a ring one that runs over the seam ends beyond the line's length;
        one all the way round is (0, length).
    """
    chainage, at = _places(line, offsets_m)
    unknown = np.asarray(~np.isfinite(ground(at[..., 0], at[..., 1])).any(axis=1))
    edges = np.flatnonzero(np.diff(np.r_[False, unknown, False].astype(int)))
    # to the known places on either side, which are the nearest that posts may have
    runs = [
        (float(chainage[max(first - 1, 0)]), float(chainage[min(after, chainage.size - 1)]))
        for first, after in zip(edges[::2], edges[1::2], strict=True)
    ]
    if line.is_closed and len(runs) > 1 and unknown[0] and unknown[-1]:
        runs = [*runs[1:-1], (runs[-1][0], line.length + runs[0][1])]
    return runs


def _at_end(line: LineString, start_m: float, end_m: float) -> bool:
    """Whether a stretch lies at one of the ends of an open line."""
    return start_m <= 0.0 or end_m >= line.length


def _pieces_beside(course: Course, stretches: Sequence[tuple[float, float]], margin_m: float) -> list[_CoursePiece]:
    """The pieces of a course between stretches that are left out, in the order of its line.

    Parameters
    ----------
    course : Course
        What is followed.
    stretches : sequence of (float, float)
        Along its line, in order, as :func:`unknown_stretches` gives them.
    margin_m : float
        How far a piece stays from a stretch, m; a piece of no more length than that is left out.
    """
    line, length = course.line, course.line.length
    if line.is_closed:
        starts = [stretch[1] for stretch in stretches]
        ends = [*(stretch[0] for stretch in stretches[1:]), stretches[0][0] + length]
    else:
        starts, ends = [0.0, *(s[1] for s in stretches)], [*(s[0] for s in stretches), length]
    found = []
    for start, end in zip(starts, ends, strict=True):
        first = start if start == 0.0 and not line.is_closed else start + margin_m
        last = end if end == length and not line.is_closed else end - margin_m
        if last - first > margin_m:
            found.append(_CoursePiece(replace(course, line=_part(line, first, last)), first % length))
    return found


def _part(line: LineString, first: float, last: float) -> LineString:
    """A part of a line; of a ring it may run over the seam."""
    length = line.length
    if line.is_closed and first >= length:
        first, last = first - length, last - length
    if last <= length:
        return LineString(substring(line, first, last))
    ends = substring(line, first, length), substring(line, 0.0, last - length)
    xy = np.vstack([shapely.get_coordinates(part) for part in ends])
    return LineString(shapely.remove_repeated_points(LineString(xy)))


@dataclass(frozen=True)
class SpanLimits:
    """What decides whether a zone can span unknown ground; metres.

    longest_m, shortest_m : zone, head to head. extension_m : how far beams run past a junction.
    margin_m : how far posts stay from ground that is not known. offsets_m : where beside the line posts may stand.
    """

    longest_m: float
    shortest_m: float
    extension_m: float
    margin_m: float
    offsets_m: tuple[float, ...]

    def unspanned(self, line: LineString, ground: Field) -> Iterator[list[tuple[float, float]]]:
        """The stretches to leave out: those that no zone can span, then those as well that the rest may not allow."""
        unknown = unknown_stretches(line, ground, self.offsets_m)
        # posts of both neighbours stand beyond the two junctions that a zone has to reach over the hole
        for longest in (self.longest_m, max(self.longest_m - 4 * self.extension_m, 0.0)):
            found = [(a, b) for a, b in unknown if b - a > longest or (not line.is_closed and _at_end(line, a, b))]
            if found:
                yield found


def unknown_words(stretches: Sequence[tuple[float, float]], length_m: float) -> str:
    """Where along a beam line the terrain has no data, for whoever surveys it; empty where it has everywhere.

    ``stretches`` : as :func:`unknown_stretches` gives them. ``length_m`` : of the line.
    """
    if not stretches:
        return ""
    said = ", ".join(f"{a:.1f} to {b % length_m if b > length_m else b:.1f} m" for a, b in stretches[:3])
    more = f" and {len(stretches) - 3} more" if len(stretches) > 3 else ""
    return f"no data from {said}{more} along the beam line"


def _all_stand(standing: Sequence[HeldZone], laid: Sequence[PostedSpan]) -> bool:
    """Whether every post that is held is one of a layout, and both of a zone that holds both are of one zone of it."""
    for zone in standing:
        posts = [post for post, holds in zip((zone.start, zone.end), zone.holds, strict=True) if holds]
        if posts and not any(
            all(min(np.hypot(*(post - end)) for end in (span.start, span.end)) < _SAME_M for post in posts)
            for span in laid
        ):
            return False
    return True


@dataclass(frozen=True)
class LaidBeside:
    """Zones of the pieces of a course, in its order. kept_clear : least radii of the first Fresnel zone kept clear.

    gates_left : how many gates lie in what was left out.
    """

    zones: list[PostedSpan]
    kept_clear: float
    gates_left: int


def laid_beside(
    course: Course,
    gates: Sequence[tuple[float, float]],
    limits: SpanLimits,
    ground: Field,
    lay: Callable[[Course, list[tuple[float, float]], list[HeldZone]], tuple[list[PostedSpan], float]],
    standing: Sequence[HeldZone] = (),
) -> LaidBeside | None:
    """The pieces of a course beside ground that no zone can span, laid out each by itself.

    Parameters
    ----------
    course : Course
        What is followed.
    gates : sequence of (float, float)
        Stretches of its line that get a zone of their own, m.
    limits : SpanLimits
        What zones can span.
    ground : Field
        Ground height at any points, m; not finite where it is not known.
    lay : callable
        Lays out a course with its gates and what stands there; InfeasibleError where that does not fit.
    standing : sequence of HeldZone
        Zones as they stand, in the direction of the line; what they hold stays where it is.

    Returns
    -------
    LaidBeside or None
        None where the ground is known, or no layout of the pieces fits with all that is held where it stands.
    """
    length = course.line.length
    for stretches in limits.unspanned(course.line, ground):
        pieces = _pieces_beside(course, stretches, limits.margin_m)
        pieces = [piece for piece in pieces if piece.course.line.length >= limits.shortest_m]
        own = [piece.within(gates, length) for piece in pieces]
        held = [piece.standing(standing, course.line) for piece in pieces]
        try:
            laid = [lay(p.course, gated, stands) for p, gated, stands in zip(pieces, own, held, strict=True)]
        except InfeasibleError:
            continue
        if laid and _all_stand(standing, [span for spans, _ in laid for span in spans]):
            zones = [
                piece.whole(span, length) for piece, (spans, _) in zip(pieces, laid, strict=True) for span in spans
            ]
            return LaidBeside(zones, min(clear for _, clear in laid), len(gates) - sum(len(within) for within in own))
    return None
