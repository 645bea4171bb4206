"""A channel for every zone: every channel there is put to use, with the largest least margin; or the fewest.

Two zones may share a channel when the margin between them is zero or more. The fewest channels is the chromatic
number of the graph of pairs below zero. With a given number of channels the least margin between two zones that share
one is made as large as it can be: the largest threshold for which the graph of pairs below it still has that many
colours. Among the assignments with that least margin, zones change their channel one at a time for as long as that
lowers the unwanted power of all pairs together, which puts channels to use that the least margin alone would leave
idle. Zones whose channel is locked keep it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.errors import NumericInputError
from geotools.steps.channels.colouring import UndecidedError, clique, colour

__all__ = ["Assignment", "assign"]

#: Margins above this are all alike where the least one is made as large as it can be, dB.
CAP_DB = 60.0
#: Rounds of changing one zone's channel at a time, each over all zones.
_ROUNDS = 20


@dataclass(frozen=True)
class Assignment:
    """A channel for every zone.

    channel : (n,) numbers from 0.
    channels : how many are used.
    fewest : with how many no pair of zones that share one is below zero.
    least_margin_db : least margin between two zones that share one; inf where none do.
    optimal : whether a larger least margin with as many channels (or fewer channels, where the fewest were requested)
        was shown to be impossible.
    """

    channel: NDArray[np.intp]
    channels: int
    fewest: int
    least_margin_db: float
    optimal: bool


@dataclass(frozen=True)
class _Question:
    """Margins of pairs, and the zones that keep their channel.

    margin : (n, n) symmetric, capped, inf on the diagonal and between zones whose channels are both locked.
    group : (n,) the zones joined where they are locked to one channel: one vertex of the graph each.
    apart : (m, m) vertices locked to different channels.
    locked : (m,) channel of each vertex, -1 where free.
    """

    margin: NDArray[np.float64]
    group: NDArray[np.intp]
    apart: NDArray[np.bool_]
    locked: NDArray[np.intp]

    def graph(self, below_db: float) -> NDArray[np.bool_]:
        """Vertices that may not share a channel: a pair below that margin, or locked to different channels."""
        a, b = np.nonzero(self.margin < below_db)
        result = self.apart.copy()
        result[self.group[a], self.group[b]] = True
        return result

    def numbered(self, shade: NDArray[np.intp]) -> NDArray[np.intp]:
        """Channel of every zone: locked ones as they are, the others numbered in the order zones use them."""
        zones = shade[self.group]
        name = {int(shade[v]): int(c) for v, c in enumerate(self.locked) if c >= 0}
        free = (c for c in range(len(zones) + int(self.locked.max(initial=-1)) + 1) if c not in name.values())
        for one in zones.tolist():
            if one not in name:
                name[one] = next(free)
        return np.array([name[one] for one in zones.tolist()], dtype=np.intp)


def _question(margin: NDArray[np.float64], locked: NDArray[np.intp]) -> _Question:
    n = len(locked)
    both = (locked[:, None] >= 0) & (locked[None, :] >= 0)
    # what is locked on both sides is not for this search to change: the margins of the heads report it
    settled = np.minimum(margin, margin.T)
    np.minimum(settled, CAP_DB, out=settled)
    settled[both] = np.inf
    np.fill_diagonal(settled, np.inf)
    group = np.empty(n, dtype=np.intp)
    vertex: dict[int, int] = {}
    owner: list[int] = []
    for zone, channel in enumerate(locked.tolist()):
        if channel >= 0 and channel in vertex:
            group[zone] = vertex[channel]
            continue
        group[zone] = len(owner)
        if channel >= 0:
            vertex[channel] = len(owner)
        owner.append(channel)
    held = np.array(owner, dtype=np.intp)
    apart = (held[:, None] >= 0) & (held[None, :] >= 0) & (held[:, None] != held[None, :])
    return _Question(settled, group, apart, held)


def _fewest(question: _Question) -> tuple[NDArray[np.intp], int, bool]:
    """A colouring of the pairs below zero with the fewest colours, how many, and whether fewer were ruled out."""
    graph = question.graph(0.0)
    count, optimal = max(1, len(clique(graph))), True
    while True:
        try:
            found = colour(graph, count)
        except UndecidedError:
            found, optimal = None, False
        if found is not None:
            return found, count, optimal
        count += 1


def _largest_margin(question: _Question, start: NDArray[np.intp], count: int) -> tuple[NDArray[np.intp], float, bool]:
    """The colouring whose least margin is largest, that margin (of the capped ones), and whether that was shown."""
    # the least margin is one of the margins, or there is none: search for the largest that allows as many colours
    # (the table is symmetric: half of it has them all, and of a long line even that is much)
    levels = np.unique(question.margin[np.triu((question.margin >= 0) & np.isfinite(question.margin))])
    best, low, high, optimal = start, 0, levels.size + 1, True
    thresholds = np.concatenate([levels, [np.inf]])
    while high - low > 1:
        middle = (low + high) // 2
        try:
            found = colour(question.graph(float(thresholds[middle])), count)
        except UndecidedError:
            found, optimal = None, False
        if found is None:
            high = middle
        else:
            low, best = middle, found
    return best, float(thresholds[low]), optimal


def _less_unwanted(
    question: _Question, channel: NDArray[np.intp], free: NDArray[np.bool_], count: int, floor_db: float
) -> NDArray[np.intp]:
    """Channels of the free zones changed one at a time while that lowers the unwanted power of all pairs together."""
    power = question.margin / -10
    np.power(10.0, power, out=power)  # of a pair that is settled, infinite, nothing
    banned = question.margin < floor_db
    result = channel.copy()
    for _ in range(_ROUNDS):
        changed = False
        for zone in np.flatnonzero(free).tolist():
            on = result[None, :] == np.arange(count)[:, None]
            received, allowed = on @ power[zone], ~(on @ banned[zone])
            best = int(np.argmin(np.where(allowed, received, np.inf)))
            if allowed[best] and received[best] < received[result[zone]] * (1 - 1e-9):
                result[zone], changed = best, True
        if not changed:
            break
    return result


def assign(margin_db: ArrayLike, *, channels: int | None = None, locked: ArrayLike | None = None) -> Assignment:
    """All channels put to use with the largest least margin, or, without a number of channels, the fewest.

    Parameters
    ----------
    margin_db : (n, n) margin between two zones if they shared a channel, dB; below zero they may not. The smaller of
        the two directions counts; the diagonal is not looked at.
    channels : how many there are; where fewer than the pairs need, as many as needed are used. None: the fewest.
    locked : (n,) channel, from 0, of the zones that keep theirs, -1 for the others. None: no zone is locked.

    Returns
    -------
    The assignment. Two zones that are both locked are left as they are, whatever their margin.

    Raises
    ------
    NumericInputError : not square, or not numbers; a channel that is none.

    Examples
    --------
    >>> import numpy as np
    >>> assign(np.full((4, 4), 5.0)).channels
    1
    >>> assign(np.full((4, 4), 5.0), channels=6).least_margin_db
    inf
    """
    given = np.asarray(margin_db, dtype=np.float64)
    if given.ndim != 2 or given.shape[0] != given.shape[1] or np.isnan(given[~np.eye(len(given), dtype=bool)]).any():
        raise NumericInputError("the margins are not a square table of numbers", found=given.shape)
    n = given.shape[0]
    held = np.full(n, -1, dtype=np.intp) if locked is None else np.asarray(locked, dtype=np.intp)
    if held.shape != (n,) or (held < -1).any():
        raise NumericInputError("locked channels are not one to a zone", found=held, expected=f"{n} numbers from -1")
    if n == 0:
        return Assignment(np.empty(0, dtype=np.intp), 0, 0, np.inf, True)
    question = _question(given, held)
    shade, fewest, optimal = _fewest(question)
    count = fewest if channels is None else max(fewest, channels)
    shade, floor, shown = _largest_margin(question, shade, count)
    result = question.numbered(shade)
    if channels is not None:
        result = _less_unwanted(question, result, held < 0, max(count, int(result.max()) + 1), floor)
        result = _in_order(result, held)
    shared = (result[:, None] == result[None, :]) & ~np.eye(n, dtype=bool)
    # both directions of a pair are among those that share a channel
    least = float(given[shared].min()) if shared.any() else np.inf
    return Assignment(result, len(np.unique(result)), fewest, least, optimal and shown)


def _in_order(channel: NDArray[np.intp], locked: NDArray[np.intp]) -> NDArray[np.intp]:
    """Channels that no zone is locked to, numbered in the order in which the zones use them."""
    name = {int(c): int(c) for c in locked if c >= 0}
    free = iter(sorted(set(range(len(channel) + int(channel.max()) + 1)) - set(name)))
    return np.array([name[c] if c in name else name.setdefault(c, next(free)) for c in channel.tolist()], dtype=np.intp)
