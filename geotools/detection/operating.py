"""The operating window of a zone: from the strongest response that must not alarm to the weakest that must.

The weakest that must alarm is the weakest crossing that detection found; nothing of it is computed here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geotools.detection.nuisance import Strongest

__all__ = ["STATES", "OperatingWindow", "WeakestCrossing", "decibels", "window_of"]

#: What a window can be: open with what is not known exactly on both sides; open by the best estimate alone; empty.
STATES = ("open", "narrow", "empty")

_LEAST = 1e-4


@dataclass(frozen=True)
class WeakestCrossing:
    """The weakest crossing of a zone, as detection found it.

    modulation : by the best estimate. low : that it has with the stated confidence, or None where that is not known.
    """

    threat: str
    modulation: float
    chainage_m: float
    low: float | None = None


@dataclass(frozen=True)
class OperatingWindow:
    """One zone's window. nuisance : strongest first, of the movers that must not alarm. weakest : None if unknown."""

    zone_id: str
    weakest: WeakestCrossing
    nuisance: tuple[Strongest, ...]
    threshold: float

    @property
    def above(self) -> float:
        """Strongest response that must not alarm, by the best estimate."""
        return self.nuisance[0].modulation if self.nuisance else 0.0

    @property
    def above_high(self) -> float:
        """The same with what is not known exactly."""
        return max((one.high for one in self.nuisance), default=0.0)

    @property
    def below_low(self) -> float:
        """Weakest response that must alarm, with what is not known exactly where that is stated."""
        low = self.weakest.low
        return self.weakest.modulation if low is None else min(low, self.weakest.modulation)

    @property
    def state(self) -> str:
        """One of `STATES`."""
        if self.weakest.modulation <= self.above:
            return "empty"
        sure = self.weakest.low is not None and self.below_low > self.above_high
        return "open" if sure else "narrow"

    @property
    def width_db(self) -> float:
        """Width of the window by the best estimate, decibels; below zero where it is empty."""
        return decibels(self.weakest.modulation) - decibels(self.above)

    @property
    def set_to(self) -> float | None:
        """Threshold to set at commissioning: midway in decibels, with what is not known exactly where the window
        stays open with it; None where it is empty."""
        if self.state == "empty":
            return None
        sure = self.state == "open"
        low, high = (self.above_high, self.below_low) if sure else (self.above, self.weakest.modulation)
        return math.sqrt(max(low, _LEAST) * high)

    @property
    def holds_threshold(self) -> bool:
        """Whether the site's threshold lies in the window by the best estimate."""
        return self.above < self.threshold <= self.weakest.modulation


def decibels(modulation: float) -> float:
    """A modulation against the undisturbed signal, 20 log10 m, decibels; -80 where there is nothing."""
    return 20.0 * math.log10(max(modulation, _LEAST))


def window_of(zone_id: str, weakest: WeakestCrossing, found: Sequence[Strongest], threshold: float) -> OperatingWindow:
    """The window of a zone.

    Parameters
    ----------
    zone_id : str
        The zone.
    weakest : WeakestCrossing
        From the layer crossings.
    found : sequence of Strongest
        Of every mover at its places; those that may alarm now and then do not count.
    threshold : float
        The site's.
    """
    counted = sorted((one for one in found if one.mover.must_not_alarm), key=lambda one: -one.modulation)
    return OperatingWindow(zone_id, weakest, tuple(counted), threshold)
