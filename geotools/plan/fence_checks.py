"""What is wrong with fence lines as lines: open where a side inside is requested, the same fence twice."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from shapely import LineString

from geotools.errors import InfeasibleError

__all__ = ["refuse_open", "twice_words"]

#: Two lines nearer than this to each other are one fence, m; fences that face each other stand farther off.
_SAME_M = 0.5
#: Share of the shorter line that has to lie on the other for it to be worth a word.
_SHARE = 0.2


def refuse_open(fence_id: str, line: LineString, side: str) -> None:
    """InfeasibleError where beams are to stand inside or outside of a line that does not close."""
    if side in ("inside", "outside") and not line.is_ring:
        raise InfeasibleError(
            "an open fence line has no inside",
            where=f"fence line {fence_id}",
            found=f"layout.side = {side!r}",
            expected="left or right, along the line as it was drawn",
            mend='add side = "left" or side = "right" under [layout] in the site file, as `geotools new --side left` '
            "writes it, or close the line",
        )


def twice_words(fences: Mapping[str, LineString]) -> list[str]:
    """A sentence for each two fence lines of which one lies on the other; ``fences`` in metres."""
    found = []
    for (a, first), (b, second) in combinations(fences.items(), 2):
        if first.distance(second) > _SAME_M:
            continue
        shorter, longer = sorted((first, second), key=lambda line: line.length)
        on = float(shorter.intersection(longer.buffer(_SAME_M)).length)
        if on > max(_SHARE * shorter.length, 4 * _SAME_M):
            found.append(
                f"{a} and {b} lie on each other over {on:.1f} m: is it one fence drawn twice? Heads, works and prices "
                "would count twice there; take one out of the fence file"
            )
    return found
