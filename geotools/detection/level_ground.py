"""What a stack of heads detects over level ground: what a layout can promise before the ground is looked at.

The ground is level; everything else is the one engine with the site's own rules. A zone is examined alone, as at an
open end of the line, or as one of the chain that it stands in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.beam import HeadType
from geotools.beam.strip import Strip
from geotools.corridor import BeamLine
from geotools.detection.alone import alone, dead_before_heads
from geotools.detection.cases import Case, Rules
from geotools.detection.chains import tiles_of
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import BeamPair, FenceChain, Zone

__all__ = [
    "LEVEL",
    "LevelZone",
    "Stack",
    "dead_in_chain",
    "dead_spots",
    "detected_half_width",
    "level_pair",
    "level_zone",
]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Stack = tuple[BeamPair, ...]


class _Level:
    """Ground at one level everywhere; nothing lies between the nodes of a strip."""

    cell_m = float("inf")

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Floats:
        """Zero, in the shape of the places."""
        return np.zeros(np.broadcast_shapes(np.shape(x_m), np.shape(y_m)))


LEVEL = _Level()


def level_pair(level: str, head_type: HeadType, height_m: float) -> BeamPair:
    """One level of a stack with both heads at one height, m."""
    return BeamPair(level, head_type, height_m, height_m)


def level_zone(stack: Stack, length_m: float, number: int = 0) -> Zone:
    """A zone of these pairs of heads and this distance between its posts, m, on a line of its own."""
    return Zone(f"level-{number}", BeamLine(0.0, 0.0, length_m, 0.0), stack, f"line-{number}")


def dead_spots(rules: Rules, wanted: Sequence[tuple[Stack, float]]) -> list[dict[str, float]]:
    """How far from a head each threat is first detected and stays so up to mid-span, m; inf where it is not there.

    Parameters
    ----------
    rules : Rules
        Who is looked for, and when somebody is detected.
    wanted : sequence of (stack, length)
        Pairs of heads, and the distance between the posts, m; all are solved together.

    Returns
    -------
    list of dict of str to float
        By threat, the longer of the dead spots before the two heads.
    """
    zones = [level_zone(stack, length_m, number) for number, (stack, length_m) in enumerate(wanted)]
    perimeter = Perimeter(zones, LEVEL, rules)
    perimeter.solve_all()
    return [
        {threat: max(ends) for threat, ends in dead_before_heads(perimeter, zone.zone_id).items()} for zone in zones
    ]


@dataclass(frozen=True)
class LevelZone:
    """What a zone leaves undetected were the ground level.

    Attributes
    ----------
    chainage_m : (n,) array
        Stations from the transmitter's post, m.
    dead : dict of str to (n,) bool
        By threat, stations that are crossed undetected, as the zone stands among its neighbours.
    before_heads : dict of str to (float, float)
        By threat, the dead spot before the transmitter's and the receiver's head with no neighbour beside, m; ``inf``
        where the threat is not detected at mid-span.
    """

    chainage_m: Floats
    dead: dict[str, Flags]
    before_heads: dict[str, tuple[float, float]]


def dead_in_chain(rules: Rules, chain: FenceChain) -> dict[str, LevelZone]:
    """What every zone of a chain leaves undetected, by name, were the ground level.

    Long chains are taken tile by tile, so that memory does not grow with them.
    """
    found: dict[str, LevelZone] = {}
    for tile in tiles_of(chain):
        perimeter = Perimeter.of([tile.chain], LEVEL, rules)
        perimeter.solve_all()
        for zone_id in tile.asked:
            by_itself = alone(perimeter, perimeter.zones[zone_id])
            found[zone_id] = LevelZone(
                perimeter.grids[zone_id].chainage_m,
                perimeter.dead(zone_id),
                dead_before_heads(by_itself, zone_id),
            )
    return found


def detected_half_width(
    rules: Rules, stack: Stack, length_m: float, threats: Sequence[str], *, reach_m: float = 3.0, step_m: float = 0.02
) -> tuple[Floats, Floats]:
    """How far to the side of the beam every threat is still detected, from a head to mid-span.

    Parameters
    ----------
    rules : Rules
        When somebody is detected.
    stack : tuple of BeamPair
        Pairs of heads.
    length_m : float
        Between the posts, m.
    threats : sequence of str
        Those in question, of the rules' targets.
    reach_m, step_m : float
        Farthest offset examined, and spacing of the offsets, m.

    Returns
    -------
    (array, array)
        Distance from the transmitter's head and half width, (n,) each, m: that of the threat detected least, to the
        last offset without a break; 0 where one is not detected on the beam line itself.
    """
    zone = level_zone(stack, length_m)
    perimeter = Perimeter([zone], LEVEL, rules)
    chainage = perimeter.grids[zone.zone_id].chainage_m
    half = chainage <= chainage[-1] / 2 + 1e-9
    if not threats:
        return chainage[half], np.zeros(int(half.sum()))
    side = np.arange(0.0, reach_m + step_m / 2, step_m)
    strip = Strip(chainage, np.concatenate([-side[:0:-1], side]), np.zeros((chainage.size, 2 * side.size - 1)))
    case = Case(zone, strip, targets=[rules.targets[threat] for threat in threats])
    (modulation,) = perimeter.best([case])
    detected = np.logical_and.accumulate(rules.alarms(modulation[:, half, side.size - 1 :]), axis=2)
    return chainage[half], np.maximum(detected.sum(axis=2).min(axis=0) - 1, 0) * step_m
