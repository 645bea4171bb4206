"""At which heights a body crosses a stack's zone over level ground undetected, and whether one more head stops it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geotools.beam import Target
from geotools.detection.cases import Rules
from geotools.detection.crossing import Corridor
from geotools.detection.level_ground import LEVEL, Stack, level_zone
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import runs
from geotools.plan.model import BeamPair

__all__ = ["BandGap", "HeightBand", "height_bands"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
#: Spacing of the underside heights that are tried, m.
_STEP_M = 0.1


@dataclass(frozen=True)
class BandGap:
    """Heights at which a body crosses a zone undetected between the heads' dead spots.

    Attributes
    ----------
    threat : str
        Its name.
    low_m, high_m : float
        Underside of the body above the ground, from and to, m.
    modulation : float
        Least that such a body meets on its easiest way.
    at_m : float
        Chainage of that way, m.
    """

    threat: str
    low_m: float
    high_m: float
    modulation: float
    at_m: float

    @property
    def heights(self) -> str:
        """The heights in words."""
        wide = self.high_m > self.low_m
        return f"underside from {self.low_m:.1f} to {self.high_m:.1f} m" if wide else f"underside at {self.low_m:.1f} m"


class HeightBand:
    """Bodies of one threat with their undersides from the ground up to the threat's own, over one zone of level ground.

    Parameters
    ----------
    threat : str
        Its name.
    perimeter : Perimeter
        Of the one zone; its targets are the bodies, from the ground up, each named by its underside's height.
    """

    def __init__(self, threat: str, perimeter: Perimeter) -> None:
        self.threat, self.perimeter = threat, perimeter
        (self.zone,) = perimeter.zones.values()
        self.base_m = np.array([body.base_m for body in perimeter.rules.targets.values()])

    def _middle(self, clear_m: float) -> Flags:
        chainage = self.perimeter.grids[self.zone.zone_id].chainage_m
        return (chainage >= clear_m) & (chainage <= chainage[-1] - clear_m)

    def _passing(self, clear_m: float, own: Mapping[str, Array] | None = None) -> Flags:
        """Which of the bodies cross somewhere between the ends."""
        middle = self._middle(clear_m)
        return np.array([bool(rows[middle].any()) for rows in self.perimeter.dead(self.zone.zone_id, own).values()])

    def gaps(self, clear_m: float) -> list[BandGap]:
        """Underside heights at which the threat crosses undetected somewhere between the ends.

        clear_m : length of either end that is not looked at, for the neighbours cover it.
        """
        found = []
        middle = self._middle(clear_m)
        chainage = self.perimeter.grids[self.zone.zone_id].chainage_m[middle]
        for first, last in runs(self._passing(clear_m)):
            met = [self._stations(number)[middle] for number in range(first, last + 1)]
            worst = min(met, key=lambda stations: float(stations.min()))
            found.append(
                BandGap(
                    self.threat,
                    float(self.base_m[first]),
                    float(self.base_m[last]),
                    float(worst.min()),
                    float(chainage[int(worst.argmin())]),
                )
            )
        return found

    def _stations(self, number: int) -> Array:
        """Largest modulation on a body's easiest way over each station, (n,)."""
        topology, _ = self.perimeter.topology(self.zone.zone_id)
        name = list(self.perimeter.rules.targets)[number]
        return Corridor(topology).threat([self.perimeter.seen(self.zone.zone_id)[name]], ()).stations[0]

    def closing(self, gap: BandGap, clear_m: float, trials: Sequence[BeamPair]) -> BeamPair | None:
        """The first of some pairs of heads that, added to the stack, leaves nothing of a gap; None where none does.

        clear_m : as of :meth:`gaps`.
        """
        strip, own = self.perimeter.strip(self.zone.zone_id), self.perimeter.own(self.zone.zone_id)
        asked = (self.base_m >= gap.low_m - 1e-9) & (self.base_m <= gap.high_m + 1e-9)
        added = self.perimeter.modulations([(replace(self.zone, pairs=(pair,)), strip) for pair in trials])
        for pair, more in zip(trials, added, strict=True):
            together = {name: np.maximum(own[name], more[name]) for name in own}
            if not self._passing(clear_m, together)[asked].any():
                return pair
        return None


def height_bands(rules: Rules, stack: Stack, length_m: float) -> list[HeightBand]:
    """The height band of every threat over a zone of level ground; its beams are solved once for all.

    Parameters
    ----------
    rules : Rules
        When somebody is detected; the underside of each target is the top of the band that it may pass at.
    stack : tuple of BeamPair
        Pairs of heads.
    length_m : float
        Between the posts, m.
    """
    zone = level_zone(stack, length_m)
    bodies = {threat: _bodies(target) for threat, target in rules.targets.items()}
    every = {name: body for named in bodies.values() for name, body in named.items()}
    own = Perimeter([zone], LEVEL, replace(rules, targets=every)).own(zone.zone_id)
    bands = []
    for threat, named in bodies.items():
        perimeter = Perimeter([zone], LEVEL, replace(rules, targets=named))
        perimeter.hold(zone.zone_id, {name: own[name] for name in named})
        bands.append(HeightBand(threat, perimeter))
    return bands


def _bodies(target: Target) -> dict[str, Target]:
    """A threat's body at every underside height from the ground up to its own."""
    count = int(np.ceil(target.base_m / _STEP_M - 1e-9)) + 1
    return {
        f"{target.name} {base:.3f} m up": replace(target, base_m=float(base))
        for base in np.linspace(0.0, target.base_m, count)
    }
