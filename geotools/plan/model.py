"""What a plan is made of: heads, pairs of heads, zones, the zones of one fence line in their order, dead spots."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from geotools.beam import HeadType
from geotools.corridor import BeamLine
from geotools.plan import ids

__all__ = ["BeamPair", "DeadSpot", "FenceChain", "Head", "Zone"]


@dataclass(frozen=True)
class Head:
    """One head as it stands.

    Attributes
    ----------
    head_id : str
        Its name in the plan.
    level : str
        Name of its level in the stack.
    head_type : HeadType
        Its kind.
    at_start : bool
        Whether it stands on the post met first along the fence line.
    transmitter : bool
        Whether it sends.
    x, y, ground_m : float
        Where it stands, and the level of the ground there, m.
    height_m : float
        Height of its axis above that ground, m.
    polarisation : str
        ``vertical`` or ``horizontal``.
    channel : int or None
        Its channel, once it is planned.
    locked : str
        What a new design leaves alone: ``post``, ``head``, ``channel``, ``all``; empty for nothing.
    """

    head_id: str
    level: str
    head_type: HeadType
    at_start: bool
    transmitter: bool
    x: float
    y: float
    ground_m: float
    height_m: float
    polarisation: str
    channel: int | None = None
    locked: str = ""

    @property
    def z(self) -> float:
        """Level of its axis, m."""
        return self.ground_m + self.height_m

    @property
    def held(self) -> bool:
        """Whether it is locked itself, and not only its post or channel."""
        return self.locked in ("head", "all")

    @property
    def band_ghz(self) -> float:
        """Its carrier, GHz."""
        return self.head_type.frequency_hz / 1e9


def _by_height(heads: Iterable[Head]) -> tuple[Head, ...]:
    """Lowest first; of one height by the name of their level, in whatever order they came."""
    return tuple(sorted(heads, key=lambda head: (head.height_m, head.level)))


def _middle(heads: Sequence[Head]) -> NDArray[np.float64]:
    return np.array([np.mean([h.x for h in heads]), np.mean([h.y for h in heads])])


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
    heads : tuple of Head
        The heads of both posts as they stand, for rows and drawings; empty where nobody has placed them one by one.
    earthwork_m3, left_open_m : float or None
        Expected when it was laid out: cut and fill, m3; fence that stays blind, m.
    locked : bool
        Whether a new design leaves its posts, heads and channel alone.
    """

    zone_id: str
    line: BeamLine
    pairs: tuple[BeamPair, ...]
    fence_id: str = ""
    number: int = 0
    forward: bool = True
    heads: tuple[Head, ...] = ()
    earthwork_m3: float | None = None
    left_open_m: float | None = None
    locked: bool = False

    @classmethod
    def of_heads(cls, zone_id: str, heads: Sequence[Head], *, fence_id: str = "", number: int = 0) -> Zone:
        """The zone that these heads make.

        Parameters
        ----------
        zone_id : str
            Its name.
        heads : sequence of Head
            Those of both posts. A post is where its heads stand on average; the lowest head of the first post says
            which way the zone sends; a head without a partner makes no pair.
        fence_id : str
            The fence line it belongs to.
        number : int
            Its place along the fence line.
        """
        first, last = ([head for head in heads if head.at_start == start] for start in (True, False))
        along = BeamLine(*map(float, _middle(first)), *map(float, _middle(last)))
        forward = _by_height(first)[0].transmitter
        receivers = {head.level: head for head in heads if not head.transmitter}
        pairs = tuple(
            BeamPair(tx.level, tx.head_type, tx.height_m, receivers[tx.level].height_m)
            for tx in _by_height(head for head in heads if head.transmitter)
            if tx.level in receivers
        )
        line = along if forward else along.reversed()
        return cls(zone_id, line, pairs, fence_id, number, forward, tuple(heads))

    def on_post(self, at_start: bool) -> tuple[Head, ...]:
        """Heads of one post, lowest first; of one height by the name of their level, in whatever order they came."""
        return _by_height(head for head in self.heads if head.at_start == at_start)

    def post(self, at_start: bool) -> NDArray[np.float64]:
        """Place of a post, (2,) m."""
        line = self.along_fence
        return np.array([line.x0, line.y0] if at_start else [line.x1, line.y1])

    def post_id(self, at_start: bool) -> str:
        """Name of a post."""
        return ids.post_id(self.zone_id, at_start)

    @property
    def beams(self) -> tuple[tuple[Head, Head], ...]:
        """Transmitter and receiver head of every pair, in the order of the pairs."""
        sending, receiving = (
            {head.level: head for head in self.heads if head.transmitter == sends} for sends in (True, False)
        )
        return tuple((sending[pair.level], receiving[pair.level]) for pair in self.pairs if pair.level in sending)

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
            heads=tuple(
                replace(head, height_m=tx_height_m if head.transmitter else rx_height_m)
                if head.level == level
                else head
                for head in self.heads
            ),
        )

    def with_pair(self, pair: BeamPair) -> Zone:
        """The same zone with one more pair of heads, on the posts as the others stand."""
        pairs = tuple(sorted((*self.pairs, pair), key=lambda p: p.tx_height_m))
        return replace(self, pairs=pairs, heads=(*self.heads, *self._heads_of(pair)))

    def _heads_of(self, pair: BeamPair) -> Iterable[Head]:
        """Heads of one more pair where the zone's heads are known: beside the lowest of the same role."""
        for sends, height in ((True, pair.tx_height_m), (False, pair.rx_height_m)):
            for like in _by_height(head for head in self.heads if head.transmitter == sends)[:1]:
                name = ids.head_id(self.zone_id, pair.level, transmitter=sends)
                yield replace(
                    like,
                    head_id=name,
                    level=pair.level,
                    head_type=pair.head_type,
                    height_m=height,
                    channel=None,
                    locked="",
                )


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
