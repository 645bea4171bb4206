"""Targets: people as opaque silhouettes, with the sizes the trade commonly assumes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from geotools.errors import NumericInputError

__all__ = ["OVER_FENCE", "TARGETS", "Target"]


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

    def raised(self, by_m: float) -> Target:
        """The same silhouette with its underside this much higher, metres."""
        return replace(self, base_m=self.base_m + by_m)


TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        Target("walk", 1.70, 0.50),
        Target("run", 1.70, 0.50),
        Target("crawl", 0.70, 0.50),
        Target("prone", 0.30, 0.50),
        Target("prone side-on", 0.30, 1.70),
        Target("standing jump", 1.00, 0.50, 0.50),
        Target("run-up jump", 1.00, 0.50, 0.90),
        Target("sphere", 0.30, 0.30),
    )
}
"""Silhouettes by name. ``crawl`` is on hands and knees, ``prone`` end-on to a head. Sizes: common practice, no source,
save the 0.30 m sphere (INMM annual meeting 1992, target simulation techniques; from memory). Jumps are over the beam
from the ground, legs drawn up: the feet clear about 0.5 m from standing and about 0.9 m with a run-up (common practice,
no source)."""

OVER_FENCE: dict[str, Target] = {
    target.name: target for target in (Target("assisted jump", 0.50, 0.50), Target("bridge", 0.50, 0.50))
}
"""Silhouettes whose way is as high as the fence it crosses, their undersides counted from the fence's top: a jump from
it, with help, and crawling over it on a bridge. Raise them by the fence's height. Sizes: common practice, no source."""
