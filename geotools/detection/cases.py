"""What a perimeter answers: the rules of detection, one state of a zone to be solved, and the nodes of its strip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geotools.beam import Beam, Target
from geotools.beam.strip import Strip
from geotools.corridor import BeamLine, StripGrid
from geotools.plan.model import Zone

__all__ = ["Case", "Rules", "length_of", "moved_heads", "over_mirror", "reaches", "straight_ground", "strip_nodes"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: A body this high is none, m.
_THIN_M = 0.01
#: Widest spacing of nodes across the strip, m: half the width of the narrowest body, so that none slips between.
_ACROSS_M = 0.25


def reaches(modulation: npt.ArrayLike, threshold: float) -> Flags:
    """Whether a receiver with this threshold alarms, whoever or whatever moves, in the shape of what is given."""
    return np.asarray(np.asarray(modulation) >= threshold)


@dataclass(frozen=True)
class Rules:
    """When somebody is detected, and how finely that is looked at.

    Attributes
    ----------
    threshold : float
        Modulation that alarms.
    half_width_m, spacing_m : float
        Half width of the strips, and spacing of their nodes along the beam, m.
    targets : mapping of str to Target
        Threats by name, in the site's order.
    grass_m : float
        Height of grass that hides the lower part of a body, m.
    by_fence : mapping of str to mapping of str to Target
        By fence line the same threats as ``targets``, in its order, where their ways are as high as the fence they
        cross; ``targets`` has them over the highest.
    """

    threshold: float
    half_width_m: float
    spacing_m: float
    targets: Mapping[str, Target]
    grass_m: float = 0.0
    by_fence: Mapping[str, Mapping[str, Target]] = field(default_factory=dict)

    def of_fence(self, fence_id: str) -> Rules:
        """The rules with the threats as they cross one fence line, for that fence line alone."""
        return replace(self, targets=self.by_fence.get(fence_id, self.targets), by_fence={})

    def targets_of(self, zone: Zone) -> tuple[Target, ...]:
        """The threats as they cross a zone, in the order of `targets`."""
        return tuple(self.by_fence.get(zone.fence_id, self.targets).values())

    def alarms(self, modulation: npt.ArrayLike) -> Flags:
        """Whether the largest modulation met on a way is enough for an alarm, in the shape of what is given."""
        return reaches(modulation, self.threshold)

    @property
    def floor_width_m(self) -> float:
        """Width of the body that the detection floor is for: the narrowest of those on the ground."""
        on_ground = [t.width_m for t in self.targets.values() if t.base_m == 0.0]
        return min(on_ground or [t.width_m for t in self.targets.values()])


@dataclass(frozen=True)
class Case:
    """One state of a zone to be solved.

    Attributes
    ----------
    zone : Zone
        With its heads as they are to stand.
    ground : Strip or (n, k) array
        Its strip, from :meth:`Perimeter.strip`; or levels at the strip's nodes, m, for ground that is thought of.
    targets : sequence of Target, optional
        Who is looked for; the rules' own if not given.
    grass_m : float, optional
        Height of grass; the rules' own if not given.
    floor : bool
        Whether the detection floor is computed too.
    level : bool
        Whether the received level is computed too.
    coarse_m : float, optional
        Spacing along the beam of a coarse answer, for changes alone.
    aim_deg : (pairs, 4) array, optional
        By how much the heads of each pair point off each other: transmitter up, receiver up, transmitter and receiver
        to the left of the line, degrees.
    """

    zone: Zone
    ground: Strip | Array
    targets: Sequence[Target] | None = None
    grass_m: float | None = None
    floor: bool = False
    level: bool = False
    coarse_m: float | None = None
    aim_deg: Array | None = None

    def aimed(self, beam: Beam, number: int) -> Beam:
        """The beam of a pair of heads with its heads pointing as in this case."""
        if self.aim_deg is None:
            return beam
        up, up_back, aside, aside_back = self.aim_deg[number].tolist()
        return replace(beam, tx_tilt_deg=up, rx_tilt_deg=up_back, tx_pan_deg=aside, rx_pan_deg=aside_back)


def strip_nodes(line: BeamLine, half_width_m: float, spacing_m: float) -> tuple[Array, Array]:
    """Chainages and offsets of a strip's nodes; the offsets symmetric with the beam line among them."""
    n = max(int(np.ceil(line.length / spacing_m - 1e-9)), 2) + 1
    half = max(int(np.ceil(half_width_m / min(spacing_m, _ACROSS_M) - 1e-9)), 1)
    return np.linspace(0.0, line.length, n), np.linspace(-half_width_m, half_width_m, 2 * half + 1)


def straight_ground(grid: StripGrid, level: Array) -> Array:
    """The ground of a strip as it would be if it were straight from post to post and level across, (n, k)."""
    middle = level[:, level.shape[1] // 2]
    share = grid.chainage_m / grid.chainage_m[-1]
    return np.broadcast_to((middle[0] + share * (middle[-1] - middle[0]))[:, None], level.shape)


def length_of(flags: Flags, chainage_m: Array) -> float:
    """Metres of line that flagged nodes stand for: half a spacing to either side, no farther than the line's ends."""
    half = np.diff(chainage_m) / 2.0
    share = np.concatenate([[0.0], half]) + np.concatenate([half, [0.0]])
    return float(share[flags].sum())


def moved_heads(zone: Zone, moves_m: Array, lowest_m: float = 0.06) -> Zone:
    """The zone with its heads moved up or down, none lower than ``lowest_m`` above the ground.

    moves_m : (pairs, 2) transmitter's and receiver's move of each pair.
    """
    return replace(
        zone,
        pairs=tuple(
            replace(
                pair,
                tx_height_m=max(pair.tx_height_m + float(tx_m), lowest_m),
                rx_height_m=max(pair.rx_height_m + float(rx_m), lowest_m),
            )
            for pair, (tx_m, rx_m) in zip(zone.pairs, moves_m, strict=True)
        ),
    )


def over_mirror(target: Target, mirror_m: float) -> Target:
    """A body over a mirror that lies higher than the ground it stands on.

    One that is hidden whole is left so thin that no beam looks for it.
    """
    base = max(target.base_m - mirror_m, 0.0)
    return replace(target, base_m=base, height_m=max(target.top_m - mirror_m - base, _THIN_M))
