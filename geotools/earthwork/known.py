"""Grading programmes solved before: much the same is solved again with other heads, falls and tolerances."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.linear import Answer, Programme, UnfitError

__all__ = ["Known"]

#: Ends of lines nearer than this are the same, m.
_SAME_M = 1e-7


@dataclass(frozen=True)
class _Unfit:
    """Limits that no works satisfy."""

    ends: np.ndarray
    low: np.ndarray
    high: np.ndarray
    lines: Sequence[SightLine]
    falls: Falls | None

    def covers(self, other: _Unfit) -> bool:
        """Whether the other's limits, on the same ground, are nowhere wider."""
        if len(self.lines) != len(other.lines) or not (np.abs(self.ends - other.ends) <= _SAME_M).all():
            return False
        if (other.low < self.low).any() or (other.high > self.high).any():
            return False
        same = zip(self.lines, other.lines, strict=True)
        return all(_narrower(new, old) for old, new in same) and _more_falls(other.falls, self.falls)


def _narrower(new: SightLine, old: SightLine) -> bool:
    return (
        new.ends == old.ends
        and new.reach == old.reach
        and np.array_equal(new.cells, old.cells)
        and bool((new.low <= old.low).all() and (new.high <= old.high).all())
    )


def _more_falls(new: Falls | None, old: Falls | None) -> bool:
    """Whether all falls of the old, none of them with a crossing on offer, are among the new ones."""
    if old is None or not len(old.upper):
        return new is None or not (new.crossing >= 0).any()
    if new is None or (new.crossing >= 0).any() or (old.crossing >= 0).any():
        return False
    kept = dict(zip(zip(new.upper.tolist(), new.lower.tolist(), strict=True), new.least.tolist(), strict=True))
    pairs = zip(old.upper.tolist(), old.lower.tolist(), strict=True)
    return all(kept.get(pair, -np.inf) >= least for pair, least in zip(pairs, old.least.tolist(), strict=True))


class Known:
    """What programmes came to, by what was required; an answer that was given is given again.

    A programme with falls to keep has the answer of the one without them where that keeps them by itself. Limits that
    are nowhere wider than those that nothing satisfied are not tried.
    """

    def __init__(self) -> None:
        self._answers: dict[bytes, list[tuple[Falls | None, Answer]]] = {}
        self._unfit: dict[bytes, list[_Unfit]] = {}

    def solve(
        self, programme: Programme, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray
    ) -> Answer:
        """As :meth:`Programme.solve`."""
        cells, falls = programme.cells, programme.falls
        ground = _digest(cells.ground, cells.movable, cells.place, cells.pairs, repr(programme.rules))
        asked = _Unfit(ends, low, high, programme.lines, falls)
        for known in self._unfit.get(ground, ()):
            if known.covers(asked):
                raise UnfitError(lambda: programme.why_unfit(ends, low, high))
        lines = [part for li in programme.lines for part in (li.cells, li.low, li.high, repr((li.ends, li.reach)))]
        key = _digest(ground, weight, np.round(ends / _SAME_M), low, high, *lines)
        for fell, answer in self._answers.get(key, ()):
            if _same(fell, falls):
                return answer
            if fell is None and falls is not None and not falls.short(cells.ground + answer.change).any():
                return replace(answer, crossings=np.zeros(len(falls.prices), bool))
        try:
            answer = programme.solve(weight, ends, low, high)
        except UnfitError:
            self._unfit.setdefault(ground, []).append(asked)
            raise
        none = falls is None or not len(falls.upper)
        self._answers.setdefault(key, []).append((None if none else falls, answer))
        return answer


def _same(a: Falls | None, b: Falls | None) -> bool:
    if a is None or b is None:
        return (a is None or not len(a.upper)) and (b is None or not len(b.upper))
    parts = ((a.upper, b.upper), (a.lower, b.lower), (a.least, b.least), (a.crossing, b.crossing), (a.prices, b.prices))
    return all(np.array_equal(x, y) for x, y in parts)


def _digest(*parts: np.ndarray | str | bytes) -> bytes:
    made = hashlib.blake2b(digest_size=16)
    for part in parts:
        if isinstance(part, np.ndarray):
            made.update(np.ascontiguousarray(part).data)
        else:
            made.update(part.encode() if isinstance(part, str) else part)
        made.update(b"|")
    return made.digest()
