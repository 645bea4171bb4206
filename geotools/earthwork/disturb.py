"""Works as they may turn out: built within tolerance, settled, heads set a little off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from geotools.errors import NumericInputError
from geotools.plan.model import Zone
from geotools.terrain.design import StripCells

__all__ = ["KINDS", "State", "Tolerances", "disturb", "edge_states", "heads_off"]

#: Ways in which works may turn out other than designed.
KINDS = ("cells", "patches of 4 m", "patches of 8 m", "low", "high", "settled", "heads")
#: A change below this is the solver's rounding, m.
_NOTHING_M = 1e-4
#: A pair's transmitter and receiver, low (-1) or high.
_HEADS_OFF = ((-1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (1.0, -1.0))


@dataclass(frozen=True)
class Tolerances:
    """How far works may be off: build_m of levels, settle_m of fill, heads_m of head heights, m."""

    build_m: float = 0.03
    settle_m: float = 0.05
    heads_m: float = 0.02


@dataclass(frozen=True)
class State:
    """Zones with their heads, the cells of their strips, and the level of each cell, (n,) m.

    kind : one of :data:`KINDS` that became of it; empty as designed.
    """

    zones: tuple[Zone, ...]
    strip: StripCells
    design: np.ndarray
    kind: str = ""


def disturb(state: State, kind: str, rng: np.random.Generator, tolerances: Tolerances | None = None) -> State:
    """The state as it may turn out, every level or head at the edge of its tolerance.

    Parameters
    ----------
    state : as designed. kind : one of :data:`KINDS`: each worked cell high or low by itself, patches of worked cells
        together, all of them low or high, all fill settled (never below the ground it was put on), each head high or
        low. rng : draws what is drawn. tolerances : how far.

    Raises
    ------
    NumericInputError : a kind that is not known.
    """
    t = tolerances or Tolerances()
    ground = state.strip.cells.ground
    change = state.design - ground
    worked = np.abs(change) > _NOTHING_M
    if kind == "heads":
        moved = tuple(_set_off(z, rng.choice([-1.0, 1.0], (len(z.pairs), 2)) * t.heads_m) for z in state.zones)
        return replace(state, zones=moved, kind=kind)
    if kind == "cells":
        off = t.build_m * rng.choice([-1.0, 1.0], len(change))
    elif kind in ("patches of 4 m", "patches of 8 m"):
        off = t.build_m * _patches(state.strip, 4.0 if "4" in kind else 8.0, rng)
    elif kind in ("low", "high"):
        off = np.full(len(change), t.build_m if kind == "high" else -t.build_m)
    elif kind == "settled":
        off = -np.minimum(np.maximum(change, 0.0), t.settle_m)
    else:
        raise NumericInputError("works do not turn out in this way", found=kind, expected=", ".join(KINDS))
    return replace(state, design=state.design + np.where(worked, off, 0.0), kind=kind)


def edge_states(state: State, draws: int, tolerances: Tolerances) -> list[State]:
    """The states that a design is tried in: the edges of every tolerance, and some draws, the same every time.

    Heads are off in every way of :func:`heads_off`; zones side by side are off alike.
    """
    rng = np.random.default_rng(20_270_401)
    made = []
    if tolerances.build_m:
        made += [disturb(state, kind, rng, tolerances) for kind in ("low", "high")]
    if tolerances.settle_m:
        made.append(disturb(state, "settled", rng, tolerances))
    if tolerances.build_m:
        for kind in ("cells", "patches of 4 m", "patches of 8 m"):
            made += [disturb(state, kind, rng, tolerances) for _ in range(draws)]
    off = [heads_off(z, tolerances.heads_m) for z in state.zones]
    for number in range(max((len(one) for one in off), default=0)):
        moved = tuple(one[number % len(one)] if one else z for z, one in zip(state.zones, off, strict=True))
        made.append(replace(state, zones=moved, kind="heads"))
    return made


def heads_off(zone: Zone, by_m: float) -> list[Zone]:
    """The zone with every head off its height by `by_m`, low or high, in all ways together; none for 0 m.

    One level of a stack low and another high leave what neither all low nor all high does. Those in which all levels
    are off alike come first: what fails there is found soonest.
    """
    if not by_m:
        return []
    ways = sorted(product(_HEADS_OFF, repeat=len(zone.pairs)), key=lambda off: len(set(off)))
    return [_set_off(zone, by_m * np.array(off).reshape(-1, 2)) for off in ways]


def _set_off(zone: Zone, off: np.ndarray) -> Zone:
    """The zone with its heads off by (pairs, 2) metres."""
    pairs: Sequence = zone.pairs
    return replace(
        zone,
        pairs=tuple(
            replace(p, tx_height_m=p.tx_height_m + float(o[0]), rx_height_m=p.rx_height_m + float(o[1]))
            for p, o in zip(pairs, off, strict=True)
        ),
    )


def _patches(strip: StripCells, size_m: float, rng: np.random.Generator) -> np.ndarray:
    """+1 or -1 for each cell, the same over squares of `size_m` laid at random."""
    x, y = ((axis - axis.min() + rng.uniform(0, size_m)) // size_m for axis in (strip.x, strip.y))
    sign = rng.choice([-1.0, 1.0], (int(x.max()) + 1, int(y.max()) + 1))
    return np.asarray(sign[x.astype(int), y.astype(int)])
