"""The stretches of a line that its gates take, each with room for a zone of its own."""

from __future__ import annotations

from collections.abc import Sequence

from shapely import LineString

from geotools.errors import InputError
from geotools.plan.model import Zone
from geotools.site import Site
from geotools.site.gates import Gate
from geotools.steps.layout.checks import Conflict
from geotools.steps.layout.kernel import gate_stretch
from geotools.steps.layout.usable import Course

__all__ = ["gate_stretches", "leaves_in_beams"]


def gate_stretches(
    site: Site, gates: Sequence[Gate], found: Sequence[Course], extension_m: float, least_m: float
) -> dict[str, list[tuple[float, float]]]:
    """Stretches of each course's line that get a zone of their own, from and to, m.

    Parameters
    ----------
    site : the margin on both sides of a gate. gates : its gates. found : what is laid out along.
    extension_m : how far beams run past a junction. least_m : shortest zone that the heads serve.

    Raises InputError where a gate lies away from every fence.
    """
    i, s = site.input, site.layout
    stretches: dict[str, list[tuple[float, float]]] = {course.fence_id: [] for course in found}
    for number, one in enumerate(gates, start=1):
        gate = one.opening
        course = min(found, key=lambda c: c.fence.distance(gate))
        if course.fence.distance(gate) > s.setback_m + s.clear_m:
            raise InputError(
                "a gate lies away from every fence",
                where=f"{i.gates}, feature {number}",
                found=f"{course.fence.distance(gate):.1f} m from fence line {course.fence_id}",
                mend="draw the gate across its opening in the fence",
            )
        # the neighbours' beams run past the junctions towards the gate: their posts stand outside its margin too
        start, end = gate_stretch(course, gate, s.gate_margin_m + extension_m)
        stretches[course.fence_id].append(_lengthened(course, start, end, least_m - 2 * extension_m))
    return stretches


def leaves_in_beams(zones: Sequence[Zone], gates: Sequence[Gate]) -> list[Conflict]:
    """A conflict for every zone whose beams a gate's leaf reaches when it opens."""
    found = []
    for zone in zones:
        line = LineString([zone.post(True), zone.post(False)])
        for gate in (gate for gate in gates if gate.swept.intersects(line)):
            inside = gate.swept.intersection(line)
            at = inside.centroid
            found.append(
                Conflict(
                    "gate leaf in a beam",
                    zone.zone_id,
                    (),
                    (at.x, at.y),
                    f"the leaf of {gate.words} reaches the beam line over {inside.length:.1f} m when it opens, "
                    f"{gate.opening.distance(line):.1f} m from the opening",
                    "beams that an open leaf does not reach",
                    "a gate that slides or opens away from the beams, a larger setback there, or the zone taken out of "
                    "service while the gate is open",
                )
            )
    return found


def _lengthened(course: Course, start: float, end: float, least_m: float) -> tuple[float, float]:
    """A gate's stretch made at least so long."""
    length = course.line.length
    span = (end - start) % length if course.line.is_closed else end - start
    lack = max(0.0, least_m - span) / 2
    if course.line.is_closed:
        return (start - lack) % length, (end + lack) % length
    return max(0.0, start - lack), min(length, end + lack)
