"""How zones are cut and heads stacked."""

from __future__ import annotations

from typing import Literal

from pydantic import model_validator

from geotools.site.base import Section, setting
from geotools.site.catalogue import COMMON


class Layout(Section):
    """Layout settings; the defaults follow common practice and can be edited."""

    side: Literal["inside", "outside", "left", "right", "between"] = setting(
        "side of the fence the beams stand on; left and right are seen along the line; between is midway of two fences",
        default="inside",
    )
    setback_m: float = setting(
        "distance of the beam line from the fence", unit="m", mark=COMMON, default=3.0, ge=0.5, le=50
    )
    max_zone_m: float = setting(
        "longest zone, as camera assessment allows", unit="m", mark=COMMON, default=100.0, ge=10, le=457
    )
    min_zone_m: float = setting("shortest zone worth two posts", unit="m", default=10.0, ge=3, le=100)
    overlap_m: float = setting(
        "how far a head stands inside its neighbour's zone", unit="m", mark=COMMON, default=5.0, ge=0, le=30
    )


class Level(Section):
    """One head of the stack on every post."""

    level: Literal["low", "usual", "top"] = setting("place in the stack")
    head_type: str = setting("head type, from the catalogue or from head_types")
    height_m: float = setting("height of the head's axis above the ground", unit="m", gt=0.05, le=10)
    min_height_m: float = setting("lowest height it may be set to", unit="m", default=0.2, gt=0.05, le=10)
    max_height_m: float | None = setting(
        "highest height it may be set to; empty for 0.15 m above its height", unit="m", default=None, gt=0.05, le=10
    )
    polarisation: Literal["vertical", "horizontal"] = setting("plane of the electric field", default="vertical")

    @property
    def limits_m(self) -> tuple[float, float]:
        """Lowest and highest height it may be set to."""
        return self.min_height_m, self.height_m + 0.15 if self.max_height_m is None else self.max_height_m

    @model_validator(mode="after")
    def _limits_agree(self) -> Level:
        lowest, highest = self.limits_m
        if not lowest <= self.height_m <= highest:
            raise ValueError(
                f"the height limits of level {self.level!r} contradict: lowest {lowest:g}, height {self.height_m:g}, "
                f"highest {highest:g} m"
            )
        return self


def usual() -> Level:
    """The one head of a plain post (common practice, no source)."""
    return Level(level="usual", head_type="10 GHz", height_m=0.91, min_height_m=0.5)


def low() -> Level:
    """The head added for a prone crawler (common practice, no source)."""
    return Level(level="low", head_type="24 GHz", height_m=0.30, min_height_m=0.20, polarisation="horizontal")


def top(height_m: float = 2.44) -> Level:
    """The head added against bridging, at the fence's top (common practice, no source)."""
    return Level(
        level="top", head_type="10 GHz", height_m=height_m, min_height_m=min(1.2, height_m), polarisation="horizontal"
    )
