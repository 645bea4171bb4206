"""What posts, beams and cameras keep clear of, with names and kinds, so that a refusal can say which object it was."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from geotools.errors import InputError
from geotools.io.features import read_named
from geotools.site import Site

__all__ = ["KINDS", "Obstacle", "obstacles_of", "read_obstacles"]

#: Kinds of keep-outs, and what may be there all the same: beams, posts of heads, posts of cameras, earthworks.
KINDS: dict[str, tuple[str, ...]] = {
    "keep-out": (),
    "building": (),
    "tree": (),
    "neighbour": (),
    "road": ("beams",),
    "drain": ("beams",),
    "no posts": ("beams", "cameras", "earth"),
    "no beams": ("cameras", "earth"),
    "no cameras": ("beams", "posts", "earth"),
}
#: Kinds that hide what is behind them from a camera.
_HIDES = ("building", "tree")
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
    kind : str
        One of `KINDS`.
    """

    words: str
    shape: BaseGeometry
    kind: str = "keep-out"

    @property
    def crossed(self) -> bool:
        """Whether beams may cross it."""
        return "beams" in KINDS[self.kind]

    @property
    def posts(self) -> bool:
        """Whether posts of heads may stand on it."""
        return "posts" in KINDS[self.kind]

    @property
    def cameras(self) -> bool:
        """Whether cameras may stand on it."""
        return "cameras" in KINDS[self.kind]

    @property
    def graded(self) -> bool:
        """Whether its ground may be moved."""
        return "earth" in KINDS[self.kind]

    @property
    def hides(self) -> bool:
        """Whether it hides what is behind it from a camera."""
        return self.kind in _HIDES

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
        found += [Obstacle(words, part, kind) for part in parts]
    return found


def obstacles_of(site: Site, work_crs: CRS) -> tuple[Obstacle, ...]:
    """Keep-outs of a site, none where its file names none; ``work_crs`` : the plan's system in metres."""
    i = site.input
    if i.keep_outs is None:
        return ()
    return tuple(read_obstacles(site.path(i.keep_outs), work_crs, layer=i.keep_outs_layer, crs=i.keep_outs_crs))
