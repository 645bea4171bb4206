"""Which posts and heads of one plan are those of another: by where they stand, for a new design numbers zones anew."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["by_post", "same_heads", "same_posts"]

Row = Mapping[str, Any]
#: A post of another name this near is the same one, set a little aside, m.
_NEAR_M = 3.0
#: One of the same name that stands farther off is no longer called the same one, m.
_FAR_M = 20.0


def by_post(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Heads of each post."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(str(row["post_id"]), []).append(row)
    return found


def _places(posts: Mapping[str, Sequence[Row]], names: Sequence[str]) -> NDArray[np.float64]:
    return np.array([(posts[name][0]["geometry"].x, posts[name][0]["geometry"].y) for name in names]).reshape(-1, 2)


def same_posts(before: Mapping[str, Sequence[Row]], after: Mapping[str, Sequence[Row]]) -> dict[str, str]:
    """Name that each post had before, by the name it has now; posts that are new are not in it.

    Parameters
    ----------
    before, after : mapping of str to sequence of rows
        Heads by post, with ``geometry``, m.

    Returns
    -------
    dict of str to str
        Posts of one name within 3 m first, then those of other names that stand within 3 m, the nearest first, then
        those of one name within 20 m.
    """

    def apart_m(name: str) -> float:
        return float(before[name][0]["geometry"].distance(after[name][0]["geometry"]))

    shared = before.keys() & after.keys()
    found = {name: name for name in shared if apart_m(name) <= _NEAR_M}
    old = sorted(before.keys() - found.keys())
    new = sorted(after.keys() - found.keys())
    away = np.hypot(*np.moveaxis(_places(before, old)[None, :] - _places(after, new)[:, None], 2, 0))
    taken = set[str]()
    rows, columns = np.nonzero(away <= _NEAR_M)
    for k in np.argsort(away[rows, columns], kind="stable"):
        name, was = new[rows[k]], old[columns[k]]
        if name not in found and was not in taken:
            found[name] = was
            taken.add(was)
    left = (name for name in new if name in shared and name not in found and name not in taken)
    return found | {name: name for name in left if apart_m(name) <= _FAR_M}


def same_heads(before: Sequence[Row], after: Sequence[Row], posts: Mapping[str, str]) -> dict[str, str]:
    """Name that each head had before, by the name it has now; heads that are new are not in it.

    Parameters
    ----------
    before, after : sequence of rows
        Of the layer heads.
    posts : mapping of str to str
        As of `same_posts`.
    """
    old = {str(row["head_id"]): row for row in before}
    kept = {was: now for now, was in posts.items()}
    found: dict[str, str] = {}
    for row in after:
        name, post = str(row["head_id"]), str(row["post_id"])
        # a head that a person took to another post by hand keeps its name
        if (
            name in old
            and kept.get(str(old[name]["post_id"]), post) == post
            and posts.get(post, "")
            in (
                "",
                str(old[name]["post_id"]),
            )
        ):
            found[name] = name
    taken = set(found.values())
    free = {(str(row["post_id"]), str(row["level"])): name for name, row in old.items() if name not in taken}
    for row in after:
        name, place = str(row["head_id"]), (posts.get(str(row["post_id"]), ""), str(row["level"]))
        if name not in found and place in free:
            found[name] = free.pop(place)
    return found
