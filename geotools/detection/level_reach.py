"""How far beside a stack of heads a mover reaches the threshold over level ground: a table made once for a layout.

The same beams and the same responses as :mod:`geotools.detection.nuisance`, looked up instead of solved anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.beam import Beam
from geotools.beam.movers import Mover
from geotools.beam.nuisance import MoverGround, NuisanceRequest
from geotools.detection.level_ground import Stack
from geotools.detection.nuisance import reach_of
from geotools.engine.batching import look_at

__all__ = ["LevelReach", "ReachDoubt", "level_reach"]

Floats = NDArray[np.float64]

#: Spacing of nodes along a beam, of places beside it, and of the lengths of zone that stand for all, m.
_ALONG_M, _ACROSS_M, _LENGTH_M = 0.5, 0.5, 20.0
#: Places from head to head at which the reach is kept; between them the larger of two counts.
_PLACES = 20


@dataclass(frozen=True)
class ReachDoubt:
    """What is not known exactly: by which share movers may be larger, by how many degrees heads may point aside."""

    larger: float = 0.0
    aim_deg: float = 0.0


@dataclass(frozen=True)
class LevelReach:
    """Reach of movers beside one stack, m from the beam line to a mover's middle.

    lengths_m : (l,) lengths of zone, rising. best, high : by mover (l, places) as built and with what is not known
    exactly; the places part a beam into stretches of one length, and each holds the farthest reach in its stretch.
    """

    lengths_m: Floats
    best: Mapping[str, Floats]
    high: Mapping[str, Floats]

    def _rows(self, length_m: ArrayLike) -> NDArray[np.intp]:
        return np.minimum(np.searchsorted(self.lengths_m, np.asarray(length_m) - 1e-9), self.lengths_m.size - 1)

    def joined(self, names: Sequence[str], *, high: bool = True) -> Floats:
        """Largest reach of several movers, with what is not known exactly or without, (l, places), no less than that
        of the next shorter length: a table of `at`."""
        most = np.max([(self.high if high else self.best)[name] for name in names], axis=0)
        return np.maximum(most, np.concatenate([most[:1], most[:-1]]))

    def at(self, table: Floats, share: Floats, length_m: Floats) -> Floats:
        """Reach by a table of `joined` at a share of the way from head to head, on beams of a length, m."""
        place = np.clip((share * _PLACES).astype(np.intp), 0, _PLACES - 1)
        found: Floats = table[self._rows(length_m), place]
        return found


def level_reach(
    stack: Stack,
    longest_m: float,
    movers: Mapping[str, Mover],
    threshold: float,
    reach_m: float,
    doubt: ReachDoubt | None = None,
) -> LevelReach:
    """The reach of movers beside a stack over level ground, at every length up to the longest.

    Parameters
    ----------
    stack : Stack
        Pairs of heads.
    longest_m : float
        Longest zone, m; shorter ones by steps of 20 m.
    movers : mapping of str to Mover
        By name.
    threshold : float
        Modulation that alarms.
    reach_m : float
        How far they are looked for, m.
    doubt : ReachDoubt, optional
        What is not known exactly; nothing if not given.
    """
    doubt = doubt or ReachDoubt()
    # one length at least: the longest may be shorter than a step
    lengths = np.arange(longest_m, min(_LENGTH_M, longest_m) / 2, -_LENGTH_M)[::-1]
    half = max(int(np.ceil(reach_m / _ACROSS_M - 1e-9)), 1)
    # level ground is alike on both sides: the heads point to either, the places lie on one
    across = np.linspace(0.0, half * _ACROSS_M, half + 1)
    asked = []
    for length in lengths:
        x = np.linspace(0.0, length, max(int(np.ceil(length / _ALONG_M)), 2) + 1)
        around = MoverGround(across, np.zeros((x.size, across.size)))
        request = NuisanceRequest(around, tuple(movers.values()), doubt.larger, doubt.aim_deg)
        for pair in stack:
            beam = Beam(pair.head_type, x, np.zeros(x.size), pair.tx_height_m, pair.rx_height_m, name=pair.level)
            asked.append((beam, request))
    answers = look_at(asked) if asked and movers else []
    best: dict[str, list[Floats]] = {name: [] for name in movers}
    high: dict[str, list[Floats]] = {name: [] for name in movers}
    for row in range(len(lengths) if answers else 0):
        mine = answers[row * len(stack) : (row + 1) * len(stack)]
        for number, name in enumerate(movers):
            for kept, responses in (
                (best, [one.modulation[number] for one in mine]),
                (high, [one.high[number] for one in mine]),
            ):
                kept[name].append(_by_place(np.max(responses, axis=0), across, threshold))
    return LevelReach(
        lengths, {name: np.array(rows) for name, rows in best.items()}, {name: np.array(r) for name, r in high.items()}
    )


def _by_place(response: Floats, across: Floats, threshold: float) -> Floats:
    """Farthest reach in each stretch of a beam, (places,), from responses (n, k) on one side of it."""
    both = np.concatenate([response[:, :0:-1], response], axis=1)
    left, _ = reach_of(both, np.concatenate([-across[:0:-1], across]), threshold)
    edges = np.linspace(0, left.size - 1, _PLACES + 1)
    return np.array([left[int(a) : int(np.ceil(b)) + 1].max() for a, b in pairwise(edges)])
