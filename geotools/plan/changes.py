"""What one plan changed against the one before it: heads and posts, why, and at what price."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shapely import Point

from geotools.plan.same_posts import by_post, same_heads, same_posts

__all__ = ["Change", "HeadPrices", "camera_changes", "change_rows", "head_changes", "in_words", "others_kept"]

Row = dict[str, Any]
#: Posts closer than this stand on one place: a GIS rounds what it shows.
SAME_PLACE_M = 0.005
#: Heights closer than this are the same.
SAME_M = 0.0005


@dataclass(frozen=True)
class HeadPrices:
    """Prices of one head and one post, in the site's currency.

    head : supply and mount one head. post : one post with foundation and cabling. set_head : set a head that is there
    to another height or place, and align it.
    """

    head: float
    post: float
    set_head: float


@dataclass(frozen=True)
class Change:
    """One change against the plan before.

    change : what was done, as the layer ``changes`` lists it. subject_id, zone_id : of what. before, after : in words.
    reason : why. price : where the plan before was built; None where the site file has no price for it. at : (x, y), m.
    """

    change: str
    subject_id: str
    zone_id: str
    before: str
    after: str
    reason: str
    price: float | None
    at: tuple[float, float]


def _head_words(row: Mapping[str, Any]) -> str:
    return f"{row['head_type']} {row['role']} at {float(row['height_m']):.2f} m, {row['polarisation']}"


def _place_words(row: Mapping[str, Any]) -> str:
    return f"x {row['geometry'].x:.2f}, y {row['geometry'].y:.2f} m"


def _at(row: Mapping[str, Any]) -> tuple[float, float]:
    return (float(row["geometry"].x), float(row["geometry"].y))


def head_changes(
    before: Sequence[Mapping[str, Any]],
    after: Sequence[Mapping[str, Any]],
    reason_of: Callable[[str, Mapping[str, Any]], str],
    prices: HeadPrices,
) -> list[Change]:
    """Changes of heads and posts from one plan to the next, in the order of their names.

    Parameters
    ----------
    before, after : rows of the layer heads, with ``geometry``, m.
    reason_of : why, of the kind of change and the row of a head that it is about.
    prices : of heads and posts.

    Returns
    -------
    One change for every post that was added, removed, moved or renamed, and one for everything that changed of a head.
    A post that moved carries the price of a new one and of setting its heads there; a new height or plane costs setting
    it. Posts are the same where they stand (`same_posts`): a new design that numbers zones anew moves none for it.
    """
    old, new = ({str(row["head_id"]): row for row in rows} for rows in (before, after))
    old_posts, new_posts = by_post(before), by_post(after)
    posts = same_posts(old_posts, new_posts)
    heads = same_heads(before, after, posts)
    found: list[Change] = []

    def note(kind: str, subject: str, row: Mapping[str, Any], words: tuple[str, str], price: float | None) -> None:
        found.append(Change(kind, subject, str(row["zone_id"]), *words, reason_of(kind, row), price, _at(row)))

    for post in sorted(new_posts):
        row = new_posts[post][0]
        if post not in posts:
            note("added", post, row, ("", f"post, {_place_words(row)}"), prices.post)
            continue
        name = posts[post]
        was, stood = old_posts[name][0], {str(head["head_id"]) for head in old_posts[name]}
        if name != post:
            note("renamed", post, row, (name, post), 0.0)
        if was["geometry"].distance(row["geometry"]) > SAME_PLACE_M:
            stay = sum(heads.get(str(head["head_id"])) in stood for head in new_posts[post])
            note("moved", post, row, (_place_words(was), _place_words(row)), prices.post + stay * prices.set_head)
    for post in sorted(old_posts.keys() - set(posts.values())):
        row = old_posts[post][0]
        note("removed", post, row, (f"post, {_place_words(row)}", ""), None)
    for name in sorted(new):
        if name not in heads:
            note("added", name, new[name], ("", _head_words(new[name])), prices.head)
            continue
        for kind, words, price in _of_one_head(old[heads[name]], new[name], prices):
            note(kind, name, new[name], words, price)
    for name in sorted(old.keys() - set(heads.values())):
        note("removed", name, old[name], (_head_words(old[name]), ""), None)
    return found


def _of_one_head(
    was: Mapping[str, Any], row: Mapping[str, Any], prices: HeadPrices
) -> Iterable[tuple[str, tuple[str, str], float]]:
    """What changed of a head that is in both plans."""
    if was["head_type"] != row["head_type"]:
        yield "head type", (str(was["head_type"]), str(row["head_type"])), prices.head
    if was["role"] != row["role"]:
        yield "role", (str(was["role"]), str(row["role"])), prices.head
    if abs(float(was["height_m"]) - float(row["height_m"])) > SAME_M:
        yield "height", (f"{float(was['height_m']):.2f} m", f"{float(row['height_m']):.2f} m"), prices.set_head
    if was["polarisation"] != row["polarisation"]:
        yield "polarisation", (str(was["polarisation"]), str(row["polarisation"])), prices.set_head


def camera_changes(
    before: Sequence[Mapping[str, Any]], after: Sequence[Mapping[str, Any]], reason: str
) -> list[Change]:
    """Changes of cameras from one plan to the next, in the order of their names; the site file has no price for them.

    Parameters
    ----------
    before, after : rows of the layer cameras, with ``geometry``, m. reason : why they changed.
    """
    old, new = ({str(row["camera_id"]): row for row in rows} for rows in (before, after))
    found = []
    for name in sorted(old.keys() | new.keys()):
        was, row = old.get(name), new.get(name)
        there = row or was
        assert there is not None
        words: list[tuple[str, str, str]] = []
        if was is None or row is None:
            lens = f"camera, {_place_words(there)}, {float(there['lens_mm']):g} mm"
            words.append(("added", "", lens) if was is None else ("removed", lens, ""))
        else:
            if was["geometry"].distance(row["geometry"]) > SAME_PLACE_M:
                words.append(("moved", _place_words(was), _place_words(row)))
            if float(was["lens_mm"]) != float(row["lens_mm"]):
                words.append(("lens", f"{float(was['lens_mm']):g} mm", f"{float(row['lens_mm']):g} mm"))
        found += [
            Change(kind, name, str(there["zone_id"]), old_words, new_words, reason, None, _at(there))
            for kind, old_words, new_words in words
        ]
    return found


def change_rows(step: str, changes: Iterable[Change]) -> list[Row]:
    """Rows of the layer ``changes``; names are made of what changed and how."""
    return [
        {
            "change_id": f"{step}/{one.subject_id}/{one.change.replace(' ', '-')}",
            "step": step,
            "change": one.change,
            "subject_id": one.subject_id,
            "zone_id": one.zone_id,
            "before": one.before,
            "after": one.after,
            "reason": one.reason,
            "price": one.price,
            "geometry": Point(one.at),
        }
        for one in changes
    ]


def others_kept(rows: Iterable[Mapping[str, Any]], step: str) -> list[Row]:
    """Rows of other steps, which stay when this one runs again."""
    return [dict(row) for row in rows if row["step"] != step]


def in_words(changes: Sequence[Change], currency: str) -> str:
    """How many changes of each kind, and what those that have a price cost together."""
    counts: dict[str, int] = {}
    for one in changes:
        counts[one.change] = counts.get(one.change, 0) + 1
    price = sum(one.price for one in changes if one.price is not None)
    without = sum(one.price is None for one in changes)
    kinds = ", ".join(f"{count} {kind}" for kind, count in counts.items())
    unpriced = f"; {without} without a price in the site file" if without else ""
    return f"changed against the plan before: {kinds}; {price:.0f} {currency} where that was built{unpriced}"
