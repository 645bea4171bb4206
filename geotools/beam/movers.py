"""What moves beside a beam and is no threat: bodies, moved surfaces, fence fabric that sways.

All sizes are placeholders: round figures that only the user's own site can replace.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from geotools.beam.targets import Target
from geotools.errors import NumericInputError

__all__ = ["MOVERS", "Mover", "MoverKind", "MoverPlace"]

MoverKind = Literal["body", "surface", "fabric"]
MoverPlace = Literal["outside", "mapped", "fence", "strip"]

_LIMITS = (
    ("height_m", 0.001, 5.0),
    ("width_m", 0.01, 10.0),
    ("base_m", 0.0, 20.0),
    ("length_m", 0.0, 30.0),
    ("reflects", 0.0, 1.0),
    ("sway_m", 0.0, 0.5),
)


@dataclass(frozen=True)
class Mover:
    """One mover that is no threat.

    Parameters
    ----------
    name : what the site file calls it.
    kind : ``body``, an opaque screen that moves along the fence; ``surface``, ground cover or water whose reflecting
        level moves; ``fabric``, a panel of fence that sways.
    height_m : of the body or the panel; of a surface, how far its reflecting level moves, metres.
    width_m : size across the beam, metres.
    length_m : size along the beam, metres; the flank of a body, the panel of a fence, the gust that moves grass. A body
        of 0 is a thin screen.
    base_m : height of its underside above the ground, metres.
    reflects : share of the field that a flank or a panel throws back at grazing incidence, 0 to 1.
    sway_m : how far a panel moves, metres.
    place : where it lives: ``outside`` anywhere beyond the fence line; ``mapped`` on the user's own features alone;
        ``fence`` on the fence line; ``strip`` anywhere along the beam line.
    must_not_alarm : whether the threshold has to stay above it; what is rare is shown and does not count.
    """

    name: str
    kind: MoverKind
    height_m: float
    width_m: float
    length_m: float = 0.0
    base_m: float = 0.0
    reflects: float = 1.0
    sway_m: float = 0.0
    place: MoverPlace = "outside"
    must_not_alarm: bool = True

    def __post_init__(self) -> None:
        for field, low, high in _LIMITS:
            value = getattr(self, field)
            if not (isinstance(value, (int, float)) and math.isfinite(value) and low <= value <= high):
                raise NumericInputError(
                    f"the mover's {field} is out of range",
                    where=f"mover {self.name!r}",
                    found=value,
                    expected=f"{low:g} to {high:g}",
                )

    @property
    def screen(self) -> Target:
        """The silhouette that a body shows to the beam."""
        return Target(self.name, max(self.height_m, 0.01), self.width_m, self.base_m)

    def larger(self, share: float) -> Mover:
        """The same mover, larger by a share in height, width and movement, within the limits of the model."""
        by = 1.0 + share
        return replace(
            self,
            height_m=min(self.height_m * by, 5.0),
            width_m=min(self.width_m * by, 10.0),
            sway_m=min(self.sway_m * by, 0.5),
        )


MOVERS: dict[str, Mover] = {
    mover.name: mover
    for mover in (
        Mover("person outside", "body", 1.80, 0.60),
        Mover("cyclist", "body", 1.80, 0.70, 1.80, reflects=0.3, place="mapped"),
        Mover("car", "body", 1.50, 1.80, 4.50, place="mapped"),
        Mover("lorry", "body", 4.00, 2.55, 12.00, place="mapped"),
        Mover("small animal", "body", 0.30, 0.30),
        Mover("bird", "body", 0.20, 0.30, base_m=0.60, place="strip", must_not_alarm=False),
        Mover("branch", "body", 1.00, 1.50, base_m=1.50, place="mapped"),
        Mover("grass in wind", "surface", 0.03, 2.00, 5.00, place="strip"),
        Mover("rain on standing water", "surface", 0.005, 4.00, 10.00, place="strip"),
        Mover("fence fabric", "fabric", 2.00, 0.05, 3.00, reflects=0.3, sway_m=0.05, place="fence"),
    )
}
"""Movers by name. The small animal is the 0.30 m stand-in for a slow crawler, seen from the other side."""
