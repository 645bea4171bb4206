"""How many copies the block references of a drawing ask for in all, blocks within blocks counted.

A block may hold references to others, each in rows and columns: a few kilobytes can ask for thousands of millions of
copies, which whoever opens the drawing makes in memory.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

__all__ = ["copies_in"]

_MOST_DIGITS = 9


def copies_in(data: bytes, most: int) -> int:
    """Copies that the drawing's model space asks for; counted no farther than just above ``most``.

    A block that holds itself, by whatever way, asks for more than any number.
    """
    inside: dict[bytes, dict[bytes, int]] = defaultdict(lambda: defaultdict(int))
    for place, block, copies in _references(data):
        inside[place][block] += copies
    counted: dict[bytes, int] = {}
    open_: set[bytes] = set()

    def weight(name: bytes, depth: int = 0) -> int:
        """Entities' worth of one copy of a block: itself and all that it refers to."""
        if name in open_ or depth > 200:
            return most + 2
        if name not in counted:
            open_.add(name)
            total = 1
            for other, copies in inside[name].items() if name in inside else ():
                total = min(total + copies * weight(other, depth + 1), most + 2)
            open_.discard(name)
            counted[name] = total
        return counted[name]

    return weight(b"") - 1


def _references(data: bytes) -> Iterator[tuple[bytes, bytes, int]]:
    """Block that holds a reference (empty: none), block referred to, and copies in rows and columns."""
    lines = iter(data.splitlines())
    place, kind = b"", b""
    block, copies = b"", {b"70": 1, b"71": 1}
    named = False
    for given, found in zip(lines, lines, strict=False):
        code, value = given.strip(), found.strip()
        if code == b"0":
            if kind == b"INSERT" and block:
                yield place, block, copies[b"70"] * copies[b"71"]
            kind, block, copies = value, b"", {b"70": 1, b"71": 1}
            if kind == b"ENDBLK":
                place = b""
            named = kind == b"BLOCK"
        elif named and code == b"2":
            place, named = value.upper(), False
        elif kind == b"INSERT" and code == b"2":
            block = value.upper()
        elif kind == b"INSERT" and code in copies and value.isdigit():
            copies[code] = max(int(value[:_MOST_DIGITS]), 1)
    if kind == b"INSERT" and block:
        yield place, block, copies[b"70"] * copies[b"71"]
