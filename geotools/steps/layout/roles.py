"""Which end of a zone carries the transmitters: like beside like at every junction, as far as the count allows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.errors import NumericInputError

__all__ = ["alternate_roles", "mixed_junctions", "roles_around"]


def alternate_roles(count: int, *, closed: bool, margin_db: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Whether each zone of a chain starts with its transmitters, (count,).

    Directions alternate, so that two transmitters or two receivers meet at every junction (common practice, no source).
    A closed chain with an odd count cannot do that everywhere: one junction is mixed, the one with most margin.

    Parameters
    ----------
    count : zones in the chain. closed : whether the last one meets the first.
    margin_db : (count, 2) margin of the receiver beside a foreign transmitter if the junction before zone k is the
        mixed one; column 0: zone k starts with its receivers, column 1: with its transmitters. Only looked at for a
        closed chain with an odd count; without it the first junction is taken.
    """
    if not closed or count % 2 == 0:
        return np.arange(count) % 2 == 0
    margin = np.zeros((count, 2)) if margin_db is None else np.asarray(margin_db, dtype=np.float64)
    if margin.shape != (count, 2) or np.isnan(margin).any():
        raise NumericInputError("the margins do not fit the chain", found=margin.shape, expected=(count, 2))
    first, starts_with_tx = np.unravel_index(int(np.argmax(margin)), margin.shape)
    place = np.mod(np.arange(count) - first, count)
    return (place % 2 == 0) == bool(starts_with_tx)


def roles_around(held: Sequence[bool | None], *, closed: bool) -> NDArray[np.bool_]:
    """Whether each zone starts with its transmitters, where some are held; the fewest mixed junctions beside them.

    Parameters
    ----------
    held : for each zone in order which end sends, None where that is free. closed : whether the last meets the first.

    Returns
    -------
    (count,) roles with the fewest junctions where a transmitter stands beside a receiver.
    """
    best: tuple[int, list[bool]] | None = None
    for first in [True, False] if held[0] is None else [held[0]]:
        # fewest mixed junctions so far and the roles that lead there, by the role of the zone looked at last
        ways = {first: (0, [first])}
        for given in held[1:]:
            ways = {
                role: min(
                    ((mixed + (role == before), [*roles, role]) for before, (mixed, roles) in ways.items()),
                    key=lambda way: way[0],
                )
                for role in ([True, False] if given is None else [given])
            }
        for role, (mixed, roles) in ways.items():
            total = mixed + (closed and len(held) > 1 and role == first)
            if best is None or total < best[0]:
                best = total, roles
    assert best is not None
    return np.array(best[1], dtype=bool)


def mixed_junctions(starts_with_tx: ArrayLike, *, closed: bool) -> NDArray[np.intp]:
    """Junctions where a transmitter stands beside a receiver, as numbers of the zone that starts there."""
    start = np.asarray(starts_with_tx, dtype=bool)
    if start.size < 2:
        return np.empty(0, dtype=np.intp)
    # the zone before ends in the role it does not start with
    mixed = ~np.roll(start, 1) != start
    if not closed:
        mixed[0] = False
    return np.flatnonzero(mixed)
