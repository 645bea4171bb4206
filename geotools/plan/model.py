"""What a plan is made of: heads, pairs of heads, zones, the zones of one fence line in their order, dead spots."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from shapely import Polygon

from geotools.beam import HeadType
from geotools.corridor import BeamLine

__all__ = ["BeamPair", "DeadSpot", "FenceChain", "Zone"]


@dataclass(frozen=True)
class BeamPair:
    """One level of a zone's stack: a transmitter and a receiver head of one kind.

    Attributes
    ----------
    level : str
        Name of the level in the stack.
    head_type : HeadType
        Kind of both heads.
    tx_height_m, rx_height_m : float
        Heights of the aperture centres above the ground at the heads' own posts, m.
    """

    level: str
    head_type: HeadType
    tx_height_m: float
    rx_height_m: float


@dataclass(frozen=True)
class Zone:
    """One zone: a straight strip between two posts with one or more pairs of heads.

    Attributes
    ----------
    zone_id : str
        Its name in the plan.
    line : BeamLine
        From the transmitter post to the receiver post.
    pairs : tuple of BeamPair
        Its stack, lowest first.
    fence_id : str
        The fence line it belongs to.
    number : int
        Its place along the fence line.
    forward : bool
        Whether transmitter to receiver is the fence line's own direction.
    """

    zone_id: str
    line: BeamLine
    pairs: tuple[BeamPair, ...]
    fence_id: str = ""
    number: int = 0
    forward: bool = True

    @property
    def along_fence(self) -> BeamLine:
        """Its line in the fence line's own direction."""
        return self.line if self.forward else self.line.reversed()

    def with_heights(self, level: str, tx_height_m: float, rx_height_m: float) -> Zone:
        """The same zone with the heads of one level set to other heights."""
        return replace(
            self,
            pairs=tuple(
                replace(p, tx_height_m=tx_height_m, rx_height_m=rx_height_m) if p.level == level else p
                for p in self.pairs
            ),
        )

    def with_pair(self, pair: BeamPair) -> Zone:
        """The same zone with one more pair of heads."""
        return replace(self, pairs=tuple(sorted((*self.pairs, pair), key=lambda p: p.tx_height_m)))


@dataclass(frozen=True)
class FenceChain:
    """Zones of one fence line in its order; their beam lines together form one chain.

    Attributes
    ----------
    fence_id : str
        Name of the fence line.
    zones : tuple of Zone
        In the fence line's order.
    closed : bool
        Whether the last zone meets the first.
    inside_left : bool
        Whether the guarded ground lies left of the fence line's direction.
    """

    fence_id: str
    zones: tuple[Zone, ...]
    closed: bool = False
    inside_left: bool = True


@dataclass(frozen=True)
class DeadSpot:
    """A stretch of one zone along which one threat gets through.

    Attributes
    ----------
    from_m, to_m : float
        Chainages from the transmitter post, m.
    spot_id : str
        Its name in the plan; empty until it has one.
    threat : str
        Who gets through; empty where whoever holds it keeps that apart.
    rows : tuple of int
        First and last row of the zone's strip, both inclusive; (0, -1) where it was not found on a strip.
    area : Polygon
        The ground from which it is crossed; empty where it is not known.
    crawl_gap_m : float
        Height above the ground up to which nothing is detected on the easiest way, m; NaN where not known.
    modulation : float
        Largest modulation on the easiest way across (dimensionless); NaN where not known.
    """

    from_m: float
    to_m: float
    spot_id: str = ""
    threat: str = ""
    rows: tuple[int, int] = (0, -1)
    area: Polygon = field(default_factory=Polygon)
    crawl_gap_m: float = float("nan")
    modulation: float = float("nan")
