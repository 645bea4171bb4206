"""What a layout has to keep clear of, with names and kinds, so that a refusal can say which object it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from geotools.errors import InfeasibleError, InputError
from geotools.io.features import read_named

__all__ = ["KINDS", "Obstacle", "explain", "read_obstacles"]

#: Kinds of keep-outs, and whether beams may cross them; posts may stand on none.
KINDS = {
    "keep-out": False,
    "building": False,
    "tree": False,
    "neighbour": False,
    "road": True,
    "drain": True,
    "no posts": True,
}
_THIN_M = 0.05


@dataclass(frozen=True)
class Obstacle:
    """One object on the ground.

    Attributes
    ----------
    words : str
        Kind, name and feature number, for messages.
    shape : BaseGeometry
        Its outline, m.
    crossed : bool
        Whether beams may cross it.
    """

    words: str
    shape: BaseGeometry
    crossed: bool = False

    @property
    def area(self) -> BaseGeometry:
        """Its outline, points and lines with a little width, m."""
        return self.shape if self.shape.geom_type.endswith("Polygon") else self.shape.buffer(_THIN_M)


def read_obstacles(
    path: Path | str, work_crs: CRS, *, layer: str | None = None, crs: str | None = None
) -> list[Obstacle]:
    """Keep-outs of a file; fields ``kind`` (one of `KINDS`, keep-out where it is empty) and ``name`` are read.

    Raises InputError where the file cannot be read or a kind is not known.
    """
    found = []
    for number, (fields, parts) in enumerate(read_named(path, "keep-outs", "input.keep_outs", work_crs, layer, crs), 1):
        stated, name = fields.get("kind"), fields.get("name")
        kind = "keep-out" if pd.isna(stated) or stated == "" else str(stated)
        if kind not in KINDS:
            raise InputError(
                "a keep-out is of an unknown kind",
                where=f"{path}, feature {number}, field kind",
                found=kind,
                expected=", ".join(KINDS),
                mend="correct the field, or leave it empty",
            )
        called = "" if pd.isna(name) or name == "" else f" {str(name)!r}"
        words = f"{kind}{called} (feature {number})"
        found += [Obstacle(words, part, KINDS[kind]) for part in parts]
    return found


def explain(
    problem: InfeasibleError,
    line: BaseGeometry,
    clear_m: float,
    near: Sequence[Obstacle],
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
    locked : sequence of str
        Zones and heads that the design may not touch.
    """
    said = []
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
    return InfeasibleError(
        problem.what,
        where=problem.where,
        found=f"{found}in the way: {'; '.join(said[:5])}{more}",
        expected=problem.expected,
        mend=f"{problem.mend}; or unlock what stands there (field locked)" if locked else problem.mend,
    )
