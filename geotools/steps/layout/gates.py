"""The stretches of a line that its gates take, each with room for a zone of its own."""

from __future__ import annotations

from collections.abc import Sequence

from pyproj import CRS

from geotools.errors import InputError
from geotools.io.features import read_figures
from geotools.site import Site
from geotools.steps.layout.kernel import gate_stretch
from geotools.steps.layout.usable import Course

__all__ = ["gate_stretches"]


def gate_stretches(
    site: Site, work_crs: CRS, found: Sequence[Course], extension_m: float, least_m: float
) -> dict[str, list[tuple[float, float]]]:
    """Stretches of each course's line that get a zone of their own, from and to, m.

    Parameters
    ----------
    site : its gates, and the margin on both sides of one.
    work_crs : the plan's system in metres. found : what is laid out along.
    extension_m : how far beams run past a junction. least_m : shortest zone that the heads serve.

    Raises InputError where the file cannot be read or a gate lies away from every fence.
    """
    i, s = site.input, site.layout
    stretches: dict[str, list[tuple[float, float]]] = {course.fence_id: [] for course in found}
    if i.gates is None:
        return stretches
    shapes = read_figures(site.path(i.gates), "gates", "input.gates", work_crs, layer=i.gates_layer, crs=i.gates_crs)
    for number, gate in enumerate(shapes, start=1):
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


def _lengthened(course: Course, start: float, end: float, least_m: float) -> tuple[float, float]:
    """A gate's stretch made at least so long."""
    length = course.line.length
    span = (end - start) % length if course.line.is_closed else end - start
    lack = max(0.0, least_m - span) / 2
    if course.line.is_closed:
        return (start - lack) % length, (end + lack) % length
    return max(0.0, start - lack), min(length, end + lack)
