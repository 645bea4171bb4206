"""What is looked for in one beam's field, small enough to be handed to another process together with the beam."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam.field import BeamField
from geotools.beam.strip import Strip, detection_floor, levels, modulations
from geotools.beam.targets import Target

__all__ = ["ResponseRequest", "StripResponse"]


@dataclass(frozen=True)
class StripResponse:
    """What one beam gives over a strip of n chainages and k offsets.

    standing_level_db, quiet_level : as of the field. modulation : (silhouettes, n, k). floor : (n, k) elevations, or
    None. level : (silhouettes, n, k) received level with the silhouette at the node, or None.
    """

    standing_level_db: float
    modulation: NDArray[np.float64]
    floor: NDArray[np.float64] | None
    level: NDArray[np.float64] | None = None
    quiet_level: float = 1.0


@dataclass(frozen=True)
class ResponseRequest:
    """The question: silhouettes standing at every node of a strip.

    silhouettes : each with the height of grass that hides its lower part, metres. floor : width in metres and threshold
    of a detection floor to be found too, or None. level : whether the received level is requested too, which a receiver
    that measures its rise and fall needs.
    """

    strip: Strip
    silhouettes: tuple[tuple[Target, float], ...]
    floor: tuple[float, float] | None = None
    level: bool = False

    def __call__(self, field: BeamField) -> StripResponse:
        """The answer."""
        found = modulations(field, self.silhouettes, self.strip)
        floor = None if self.floor is None else detection_floor([field], *self.floor, self.strip)
        level = None
        if self.level:
            level = np.array([levels(field, target, self.strip, grass_m=grass) for target, grass in self.silhouettes])
        return StripResponse(field.standing_level_db, found, floor, level, field.quiet_level)
