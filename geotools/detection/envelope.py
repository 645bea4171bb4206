"""A receiver that measures the rise and fall of its level: who crosses without moving it far enough.

The *envelope* of a crossing is the largest less the smallest received level on the way, the undisturbed level before
and after it among them. It is a property of the whole way. A way whose envelope is below a threshold T stays within a
window of levels of that width which holds the undisturbed level; so there is one exactly where, for some lower bound,
the nodes within the window join one side with the other. Nobody can follow a way to a centimetre: a body sways, and a
node stands for all levels within the sway.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ENVELOPE_THRESHOLD", "SWAY_M", "LevelRange", "crossable_within", "swept"]

ENVELOPE_THRESHOLD = 0.23
"""Rise and fall of the level that alarms, a share of the undisturbed signal: the threshold that holds most rows of the
trade's table of facts under this law (8 of 9; 0.20 holds 9 of 9 under the law of the field)."""

SWAY_M = 0.15
"""How far to each side a person sways who tries to follow a way, metres (common practice, no source)."""

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class LevelRange:
    """Levels that one beam's receiver sees of a body at the nodes of a strip.

    Parameters
    ----------
    lowest : (n, k) lowest level within the sway about each node, against the level that modulation is related to.
    highest : (n, k) highest.
    quiet : the undisturbed level.
    """

    lowest: Floats
    highest: Floats
    quiet: float


def swept(level: Floats, quiet: float, spacing_m: tuple[float, float], sway_m: float = SWAY_M) -> LevelRange:
    """Lowest and highest level about each node of a strip, over a square of half width ``sway_m``.

    Exact for levels that run bilinearly between nodes: their extremes lie on the nodes and on the square's own edges.

    Parameters
    ----------
    level : (n, k) levels with the body at the node.
    quiet : the undisturbed level.
    spacing_m : of the nodes along and across, metres.
    sway_m : 0 for a way as thin as a thread.
    """
    lowest, highest = level.copy(), level.copy()
    for along in _breaks(sway_m / spacing_m[0]):
        moved = _shifted(level, along, 0)
        for across in _breaks(sway_m / spacing_m[1]):
            there = _shifted(moved, across, 1)
            np.minimum(lowest, there, out=lowest)
            np.maximum(highest, there, out=highest)
    return LevelRange(lowest, highest, quiet)


def _breaks(reach: float) -> list[float]:
    whole = [float(step) for step in range(-int(reach), int(reach) + 1)]
    return sorted({-reach, *whole, reach})


def _shifted(level: Floats, by: float, axis: int) -> Floats:
    """Levels ``by`` nodes farther along an axis, linear between nodes, the edge's own beyond it."""
    at = np.clip(np.arange(level.shape[axis]) + by, 0.0, level.shape[axis] - 1.0)
    left = np.minimum(at.astype(np.intp), max(level.shape[axis] - 2, 0))
    part = (at - left).reshape(-1, 1) if axis == 0 else (at - left)
    right = np.minimum(left + 1, level.shape[axis] - 1)
    return np.asarray(np.take(level, left, axis) * (1.0 - part) + np.take(level, right, axis) * part)


def crossable_within(
    beams: Sequence[LevelRange],
    threshold: float,
    crossed: Callable[[Flags], Flags],
    *,
    step: float = 0.01,
    open_nodes: Flags | None = None,
    steppable: Callable[[Flags], Flags] | None = None,
    settled: Flags | None = None,
) -> Flags:
    """Stations of the beam line where somebody crosses and no beam's level moves as far as the threshold, (n,).

    All beams together: a way counts only where it stays within one window of each of them.

    Parameters
    ----------
    beams : what each receiver sees, one or more, over the same (n, k) nodes.
    threshold : envelope that alarms, as a share of the undisturbed signal.
    crossed : gives the stations (n,) that are crossed over open nodes (n, k); the perimeter's own answer.
    step : spacing of the lower bounds that are tried. A way whose envelope is less than ``step`` above the threshold
        may be counted too, one below it is never left out; 0 tries every level there is and is exact.
    open_nodes : (n, k) nodes that a way may use, all if not given.
    steppable : gives stations (n,) among which all that ``crossed`` gives are, for a fraction of its time; where they
        are known to be crossed already, ``crossed`` is not called.
    settled : (n,) stations that need no answer: they are not looked for, and given as not crossed.
    """
    shape = beams[0].lowest.shape
    mask = np.ones(shape, dtype=bool) if open_nodes is None else open_nodes.copy()
    for beam in beams:
        mask &= (beam.quiet - beam.lowest < threshold) & (beam.highest - beam.quiet < threshold)
    found = np.zeros(shape[0], dtype=bool)
    asked = np.ones(shape[0], dtype=bool) if settled is None else ~settled
    _search(list(beams), _How(threshold, step, crossed, steppable), mask, asked, found)
    return found


@dataclass(frozen=True)
class _How:
    """What stays the same throughout a search; as of :func:`crossable_within`."""

    threshold: float
    step: float
    crossed: Callable[[Flags], Flags]
    steppable: Callable[[Flags], Flags] | None


def _search(beams: list[LevelRange], how: _How, mask: Flags, asked: Flags, found: Flags) -> None:
    """Mark in ``found`` those of the stations asked that are crossed within ``mask`` and one window of each beam."""
    if how.steppable is not None and not (how.steppable(mask) & asked & ~found).any():
        return
    # what is not crossed over the whole mask is not over a window of it
    here = how.crossed(mask) & asked
    if not (here & ~found).any():
        return
    beams = [beam for beam in beams if _spread(beam, mask) >= how.threshold]
    if not beams:
        found |= here
        return
    beam, rest = beams[0], beams[1:]
    for low in _lower_bounds(beam, how.threshold, how.step, mask):
        window = mask & (beam.lowest >= low) & (beam.highest < low + how.threshold + how.step)
        _search(rest, how, window, here, found)


def _spread(beam: LevelRange, mask: Flags) -> float:
    """Envelope of a way over all open nodes."""
    return float(max(beam.highest[mask].max(), beam.quiet) - min(beam.lowest[mask].min(), beam.quiet))


def _lower_bounds(beam: LevelRange, threshold: float, step: float, mask: Flags) -> Floats:
    """Lower bounds of the windows that hold the undisturbed level."""
    if step > 0:
        lowest = max(beam.quiet - threshold, float(beam.lowest[mask].min()))
        count = int(np.ceil((beam.quiet - lowest) / step - 1e-9))
        return np.asarray(beam.quiet - step * np.arange(count + 1))
    values = np.unique(np.append(beam.lowest[mask], beam.quiet))
    return np.asarray(values[(values <= beam.quiet) & (values > beam.quiet - threshold)])
