"""Which fences stand two by two, where beams run between them."""

from __future__ import annotations

from collections.abc import Mapping

from shapely import LineString, Polygon

from geotools.errors import InfeasibleError

__all__ = ["fence_pairs"]


def fence_pairs(fences: Mapping[str, LineString]) -> list[tuple[str, str]]:
    """Fences two by two: each closed one with the largest that it holds, open ones with the nearest open one.

    Returns outer and inner fence of each pair by name; InfeasibleError where a fence has no partner.
    """
    by_size = sorted(fences, key=lambda name: (-fences[name].length, name))
    left, pairs = list(by_size), []
    while left:
        outer = left.pop(0)
        line = fences[outer]
        if line.is_ring:
            area = Polygon(line)
            partners = [name for name in left if fences[name].is_ring and area.contains(fences[name])]
        else:
            partners = sorted(
                (name for name in left if not fences[name].is_ring),
                key=lambda name: line.hausdorff_distance(fences[name]),
            )
        if not partners:
            raise InfeasibleError(
                "a fence has no partner to lay out between",
                where=f"fence line {outer}",
                expected="fences two by two, each closed one round another",
                mend="set layout.side, or give both fences of every pair",
            )
        inner = partners[0]
        left.remove(inner)
        pairs.append((outer, inner))
    return sorted(pairs)
