"""Targets: people as opaque silhouettes, with the sizes the trade commonly assumes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geotools.errors import NumericInputError

__all__ = ["TARGETS", "Target"]


@dataclass(frozen=True)
class Target:
    """An upright rectangular silhouette, as it faces the beam.

    Parameters
    ----------
    name : what the site file calls it.
    height_m : vertical size of the silhouette, metres.
    width_m : size across the beam, metres.
    base_m : height of its underside above the ground it crosses, metres (0 on the ground, more for a jump or bridge).

    Raises
    ------
    NumericInputError : a size that is not positive, or an underside below the ground.
    """

    name: str
    height_m: float
    width_m: float
    base_m: float = 0.0

    def __post_init__(self) -> None:
        for field, low, high in (("height_m", 0.01, 5.0), ("width_m", 0.01, 10.0), ("base_m", 0.0, 20.0)):
            value = getattr(self, field)
            if not (isinstance(value, (int, float)) and math.isfinite(value) and low <= value <= high):
                raise NumericInputError(
                    f"the target's {field} is out of range",
                    where=f"target {self.name!r}",
                    found=value,
                    expected=f"{low:g} to {high:g} m",
                    mend="give the silhouette in metres; its underside is measured from the ground up",
                )

    @property
    def top_m(self) -> float:
        """Height of the silhouette's top above the ground, metres."""
        return self.base_m + self.height_m


TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        Target("walk", 1.70, 0.50),
        Target("run", 1.70, 0.50),
        Target("crawl", 0.70, 0.50),
        Target("prone", 0.30, 0.50),
        Target("prone side-on", 0.30, 1.70),
        Target("jump", 0.50, 0.50, 1.20),
        Target("bridge", 0.50, 0.50, 2.20),
        Target("sphere", 0.30, 0.30),
    )
}
"""Silhouettes by name. ``crawl`` is on hands and knees, ``prone`` end-on to a head. Sizes: common practice, no source,
save the 0.30 m sphere (INMM annual meeting 1992, target simulation techniques; from memory). The heights of jump and
bridge depend on the fence: a site file sets its own."""
