"""What a zone must keep to, and what the choice of zones weighs against each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

__all__ = ["Field", "LayoutWeights", "Reached", "ZoneRules"]

Field = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
#: Of places x and y of beams, their share of the way from head to head, and the length of the beam.
Reached = Callable[
    [NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]], NDArray[np.bool_]
]


@dataclass(frozen=True)
class ZoneRules:
    """What a zone must keep to; metres and hertz.

    longest_m, shortest_m : head to head. wanted_m : shorter ones cost more, for a head type is not made for them.
    extension_m : how far a beam runs on past a junction: the dead spot of its head, and a margin.
    stagger_m : heads of two zones in line stand this far apart sideways, each moved by half of it.
    frequency_hz : of the stack's widest beam (its lowest frequency).
    fresnel_zones, margin_m : clear width, as in `beam_half_width`. post_clear_m : clear round a post.
    straight_m : ground within this of the straight line between the heads needs no grading.
    graded_width_m : width of the strip that is graded. most_lift_m : deepest cut or fill that slopes beside it allow.
    held : above 0 at any places where nothing may be moved, so that ground out of straight there stays as it is; None
    where the ground may be moved everywhere.
    no_posts : ground that beams may cross and no post may stand on.
    known : level of the ground at any places, NaN where there is none, and so no post; None where all is known.
    reached : says where beams lie within the reach of what lives beside the fence; None where nothing does.
    fence_side : where the fence is, seen along the line: +1 to the left, -1 to the right, 0 to both sides.
    avoided : (n,) lengths of zone that cost more, every ``avoided_step_m`` from 0; None for none.
    """

    longest_m: float
    shortest_m: float
    extension_m: float
    frequency_hz: float
    wanted_m: float = 0.0
    stagger_m: float = 0.5
    fresnel_zones: float = 1.0
    margin_m: float = 0.3
    post_clear_m: float = 0.0
    straight_m: float = 0.15
    graded_width_m: float = 3.0
    most_lift_m: float = float("inf")
    held: Field | None = None
    no_posts: BaseGeometry | None = None
    known: Field | None = None
    reached: Reached | None = None
    fence_side: float = 0.0
    avoided: NDArray[np.bool_] | None = None
    avoided_step_m: float = 0.5

    def avoids(self, length_m: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether zones of these lengths, head to head, are to be avoided."""
        if self.avoided is None:
            return np.zeros(length_m.shape, dtype=bool)
        at = np.rint(length_m / self.avoided_step_m).astype(np.intp)
        return np.asarray(self.avoided[np.minimum(at, self.avoided.size - 1)])

    def stands(self, posts: NDArray[np.float64], aside: NDArray[np.float64]) -> bool:
        """Whether the ground has a level where posts may stand: (n, 2) m, and moved aside by (2,) m both ways."""
        if self.known is None:
            return True
        x, y = np.concatenate([posts - aside, posts, posts + aside]).T
        return bool(np.isfinite(self.known(x, y)).all())

    @property
    def post_reach_m(self) -> float:
        """How far from ground where no post may stand its middle is kept before posts in line are moved aside, m."""
        return self.post_clear_m + self.stagger_m / 2


@dataclass(frozen=True)
class LayoutWeights:
    """What the choice weighs against each other, any one currency.

    zone : both stacks of a zone, stood up and wired. short_zone : further, for one shorter than wanted. avoided_zone :
    further, for one of a length that is to be avoided.
    earthwork_m3 : cut or fill.
    dead_ground_m : a metre of perimeter that stays blind.
    short_m : a metre that a beam lacks of its run past a junction.
    off_line_m : a metre of beam, from junction to junction, that lies 1 m off the line to be followed; twice as far off
    four times, and nearer to the fence as if three times as far.
    nuisance_m : a metre of beam within the reach of what lives beside the fence and is no threat.
    uneven : a zone whose stretch of the line is as long as the longest zone, others by the square of that: of as many
    zones those of like stretches weigh least, and no layout is favoured for being smaller.
    """

    zone: float = 10_000.0
    short_zone: float = 5_000.0
    earthwork_m3: float = 60.0
    dead_ground_m: float = 2_000.0
    short_m: float = 10_000.0
    off_line_m: float = 2.0
    nuisance_m: float = 0.0
    uneven: float = 0.0
    avoided_zone: float = 0.0
