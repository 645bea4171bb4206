"""Margins between zones that share a channel, the assignment, and the margin of every head. Decibels."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.errors import NumericInputError
from geotools.steps.channels.assignment import Assignment, assign
from geotools.steps.channels.colouring import clique, colour

#: Receivers dealt with at a time: of a long line's table of all pairs there is room for one, not for five.
_BLOCK = 256

__all__ = [
    "HeadMargins",
    "critical_zones",
    "head_margins",
    "in_blocks",
    "pair_margins",
    "zone_margins",
    "zones_to_channels",
]


@dataclass(frozen=True)
class HeadMargins:
    """What the assignment leaves each head; arrays over receivers (r) or transmitters (t).

    receiver_db : (r,) wanted over strongest unwanted signal on the channel, less the protection; inf where none.
    summed_db : (r,) the same over all unwanted signals together.
    worst_transmitter : (r,) the strongest unwanted one, -1 where none.
    transmitter_db : (t,) least margin it leaves a foreign receiver; inf where none shares its channel.
    worst_receiver : (t,) that receiver, -1 where none.
    """

    receiver_db: NDArray[np.float64]
    summed_db: NDArray[np.float64]
    worst_transmitter: NDArray[np.intp]
    transmitter_db: NDArray[np.float64]
    worst_receiver: NDArray[np.intp]


def pair_margins(level_db: ArrayLike, own: ArrayLike, *, protection_db: float) -> NDArray[np.float64]:
    """Wanted over unwanted signal of every pair, less the protection, (receivers, transmitters).

    Parameters
    ----------
    level_db : (r, t) received levels. own : (r,) each receiver's own transmitter.
    protection_db : how far the unwanted signal must lie below the wanted one.

    Raises
    ------
    NumericInputError : a receiver that does not receive its own transmitter.
    """
    level, mine = np.asarray(level_db, dtype=np.float64), np.asarray(own, dtype=np.intp)
    wanted = level[np.arange(level.shape[0]), mine]
    if not np.isfinite(wanted).all():
        raise NumericInputError(
            "a receiver does not receive its own transmitter",
            found=np.flatnonzero(~np.isfinite(wanted))[:5],
            expected="both heads of a beam in one band",
        )
    return wanted[:, None] - level - protection_db


def zone_margins(
    margin_db: ArrayLike, receiver_zone: ArrayLike, transmitter_zone: ArrayLike, zones: int
) -> NDArray[np.float64]:
    """Least margin of any receiver of one zone against any transmitter of another, (zones, zones), diagonal inf."""
    margin, rows = np.asarray(margin_db, dtype=np.float64), np.asarray(receiver_zone, dtype=np.intp)
    columns = np.asarray(transmitter_zone, dtype=np.intp)
    least = np.full((zones, zones), np.inf)
    for block in in_blocks(len(rows)):
        np.minimum.at(least, (rows[block, None], columns[None, :]), margin[block])
    np.fill_diagonal(least, np.inf)
    return least


def critical_zones(margin_db: NDArray[np.float64], channels: int) -> NDArray[np.intp]:
    """Zones that need more channels than there are, none of which could be left out: the reason of an impossibility."""
    conflict = np.minimum(margin_db, margin_db.T) < 0
    np.fill_diagonal(conflict, False)
    tight = clique(conflict)
    if len(tight) > channels:
        return np.array(tight[: channels + 1], dtype=np.intp)
    members = np.arange(len(conflict))
    for zone in range(len(conflict)):
        fewer = members[members != zone]
        if colour(conflict[np.ix_(fewer, fewer)], channels) is None:
            members = fewer
    return members


def zones_to_channels(
    margin_db: NDArray[np.float64],
    receiver_zone: NDArray[np.intp],
    transmitter_zone: NDArray[np.intp],
    *,
    protection_db: float,
    available: int | None,
    locked: NDArray[np.intp] | None = None,
) -> Assignment:
    """All channels put to use with the largest least margin; where their number is not known, the fewest that suffice.

    Parameters
    ----------
    margin_db : (r, t) from `pair_margins`. receiver_zone, transmitter_zone : (r,), (t,) zone numbers.
    protection_db : as it was taken off.
    available : channels there are; where pairs of zones need more, as many as they need are given out. None: as few as
        pairs of zones need, and one more for as long as all unwanted signals together are too strong.
    locked : (zones,) channel of the zones that keep theirs, from 0, -1 for the others.
    """
    zones = int(max(receiver_zone.max(), transmitter_zone.max())) + 1
    pairs = zone_margins(margin_db, receiver_zone, transmitter_zone, zones)
    best = assign(pairs, channels=available, locked=locked)
    if available is not None:
        return best
    most = _together(margin_db, receiver_zone, transmitter_zone, best, protection_db)
    count = best.channels
    while most < 0 and count < zones:
        count += 1
        best = assign(pairs, channels=count, locked=locked)
        most = _together(margin_db, receiver_zone, transmitter_zone, best, protection_db)
    return best


def _together(
    margin_db: NDArray[np.float64],
    rx_zone: NDArray[np.intp],
    tx_zone: NDArray[np.intp],
    given: Assignment,
    guard: float,
) -> float:
    """Least margin of any receiver against all unwanted signals together, dB."""
    return float(
        head_margins(margin_db, rx_zone, tx_zone, given.channel, protection_db=guard).summed_db.min(initial=np.inf)
    )


def head_margins(
    margin_db: NDArray[np.float64],
    receiver_zone: NDArray[np.intp],
    transmitter_zone: NDArray[np.intp],
    channel: NDArray[np.intp],
    *,
    protection_db: float,
) -> HeadMargins:
    """Margin of every head for a given channel of every zone.

    Parameters
    ----------
    margin_db : (r, t) from `pair_margins`. receiver_zone, transmitter_zone : (r,), (t,). channel : (zones,).
    protection_db : as it was taken off in ``margin_db``.
    """
    receivers, transmitters = margin_db.shape
    receiver, summed, worst_transmitter = np.empty(receivers), np.empty(receivers), np.empty(receivers, dtype=np.intp)
    transmitter, worst_receiver = np.full(transmitters, np.inf), np.full(transmitters, -1)
    for block in in_blocks(receivers):
        zone = receiver_zone[block, None]
        shared = (zone != transmitter_zone) & (channel[zone] == channel[transmitter_zone])
        heard = np.where(shared, margin_db[block], np.inf)
        receiver[block] = heard.min(axis=1, initial=np.inf)
        worst_transmitter[block] = np.where(np.isfinite(receiver[block]), heard.argmin(axis=1), -1)
        unwanted = np.sum(10 ** (-(heard + protection_db) / 10), axis=1)
        with np.errstate(divide="ignore"):
            summed[block] = -10 * np.log10(unwanted) - protection_db
        weakest, at = heard.min(axis=0, initial=np.inf), heard.argmin(axis=0)
        less = weakest < transmitter
        transmitter[less], worst_receiver[less] = weakest[less], block.start + at[less]
    return HeadMargins(receiver, summed, worst_transmitter, transmitter, worst_receiver)


def in_blocks(count: int) -> Iterator[slice]:
    """Parts of so many receivers, to be dealt with one after the other."""
    return (slice(start, min(start + _BLOCK, count)) for start in range(0, count, _BLOCK))
