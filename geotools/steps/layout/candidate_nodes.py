"""Candidate junctions of a layout, and what is held at some of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["Candidates", "HeldNodes", "HeldPost"]


@dataclass(frozen=True)
class HeldPost:
    """A post that stays where it stands: (2,) m, and whether its heads send."""

    at: NDArray[np.float64]
    sends: bool


@dataclass(frozen=True)
class HeldNodes:
    """What stays as it stands, by the number of the candidate that is its junction.

    starts, ends : the post of the zone that begins there, and of the one that ends there.
    spans : zones, from one candidate to another, of which both posts stay.
    """

    starts: Mapping[int, HeldPost] = field(default_factory=dict)
    ends: Mapping[int, HeldPost] = field(default_factory=dict)
    spans: frozenset[tuple[int, int]] = frozenset()


@dataclass(frozen=True)
class Candidates:
    """Points where two zones may meet; arrays of length n, in order of station.

    xy : (n, 2) map coordinates, m.
    chainage : along the line, m.
    offset : to the left of the line, m.
    station : station number; several nodes side by side share one.
    forced : whether no zone may run past this station.
    held : posts that stay as they stand.
    """

    xy: NDArray[np.float64]
    chainage: NDArray[np.float64]
    offset: NDArray[np.float64]
    station: NDArray[np.intp]
    forced: NDArray[np.bool_]
    held: HeldNodes = field(default_factory=HeldNodes)

    @property
    def n_stations(self) -> int:
        """How many stations there are."""
        return int(self.station[-1]) + 1
