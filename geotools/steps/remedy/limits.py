"""What the options of a zone may do, and at what price."""

from __future__ import annotations

from dataclasses import dataclass, field

from geotools.earthwork.prices import Prices
from geotools.earthwork.zones import GradeSettings
from geotools.plan.locks import Locks
from geotools.plan.model import BeamPair
from geotools.plan.moving import MoveLimits

__all__ = ["RemedyLimits"]


@dataclass(frozen=True)
class RemedyLimits:
    """What the options may do.

    Attributes
    ----------
    settings : GradeSettings
        Limits of heads and earth.
    prices : Prices
        What things cost.
    more : tuple of (BeamPair, (float, float))
        Pairs to add where the stack has none at their level, each with its lowest and highest height, m.
    overlap_m, shortest_m : float
        Of the parts of a zone that is split.
    moves : MoveLimits
        Where the line may be moved to.
    locks : Locks
        What stays as it stands.
    """

    settings: GradeSettings
    prices: Prices
    more: tuple[tuple[BeamPair, tuple[float, float]], ...] = ()
    overlap_m: float = 8.0
    shortest_m: float = 10.0
    moves: MoveLimits = field(default_factory=MoveLimits)
    locks: Locks = field(default_factory=Locks)
