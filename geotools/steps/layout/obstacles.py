"""The refusal of a layout with the objects that stand in its way."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from geotools.errors import InfeasibleError
from geotools.site.obstacles import Obstacle

__all__ = ["explain"]


def explain(
    problem: InfeasibleError,
    line: BaseGeometry,
    clear_m: float,
    near: Sequence[Obstacle],
    unknown: str = "",
    locked: Sequence[str] = (),
) -> InfeasibleError:
    """The refusal with the objects that stand in the beams' way along a line, and where along it; and what is locked.

    Parameters
    ----------
    problem : InfeasibleError
        As the search has it.
    line : BaseGeometry
        What the beams follow, m.
    clear_m : float
        How far beside the line objects count, m.
    near : sequence of Obstacle
        All of the site.
    unknown : str
        Where the terrain has no data and no zone can span that, in words.
    locked : sequence of str
        Zones and heads that the design may not touch.
    """
    said = [unknown] if unknown else []
    for one in near:
        if line.distance(one.shape) <= clear_m:
            at = line.project(shapely.Point(shapely.get_coordinates(shapely.shortest_line(line, one.shape))[0]))
            said.append(f"{one.words} {line.distance(one.shape):.1f} m from the beam line at chainage {at:.1f} m")
    if locked:
        said.append("locked: " + ", ".join(locked[:5]) + (f" and {len(locked) - 5} more" if len(locked) > 5 else ""))
    if not said:
        return problem
    more = f" and {len(said) - 5} more" if len(said) > 5 else ""
    found = f"{problem.found}; " if problem.found else ""
    mend = problem.mend
    if unknown:
        mend = f"{mend}; or survey the ground without data"
    if locked:
        mend = f"{mend}; or unlock what stands there (field locked)"
    return InfeasibleError(
        problem.what,
        where=problem.where,
        found=f"{found}in the way: {'; '.join(said[:5])}{more}",
        expected=problem.expected,
        mend=mend,
    )
