"""The network as branches from the sources outward, and who loses what when one of them is cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.steps.routes.graph import RouteGraph

__all__ = ["Branch", "CableNetwork", "branches_of", "foot_of"]

Floats = npt.NDArray[np.float64]
#: Places nearer than this are one, m.
_SAME_PLACE_M = 1e-3


def foot_of(post: str) -> str:
    """Name of the place where the trench passes a post."""
    return f"foot of {post}"


@dataclass(frozen=True)
class Branch:
    """A straight piece of trench.

    Attributes
    ----------
    start, end : str
        Names of its places, the start nearer to the source.
    line : (2, 2) array
        From start to end, m.
    parent : int
        Number of the branch before it; -1 at a source.
    source : str
        Source it is fed from.
    post : str
        Post at its end; empty where there is none.
    """

    start: str
    end: str
    line: Floats
    parent: int
    source: str
    post: str = ""

    @property
    def length_m(self) -> float:
        """From end to end."""
        return float(np.hypot(*(self.line[1] - self.line[0])))


@dataclass(frozen=True)
class CableNetwork:
    """Branches, every one after that before it."""

    branches: tuple[Branch, ...]

    def sums(self, at_end: npt.ArrayLike) -> Floats:
        """What is at the ends of branches, summed up for each over itself and all that it feeds."""
        total = np.array(at_end, float)
        for k in range(len(self.branches) - 1, -1, -1):
            if self.branches[k].parent >= 0:
                total[self.branches[k].parent] += total[k]
        return total

    def fed(self) -> list[set[str]]:
        """Posts that each branch feeds."""
        found = [{b.post} - {""} for b in self.branches]
        for k in range(len(self.branches) - 1, -1, -1):
            if self.branches[k].parent >= 0:
                found[self.branches[k].parent] |= found[k]
        return found

    def way(self, k: int) -> list[int]:
        """Numbers of the branches from a branch back to its source, itself first."""
        found = []
        while k >= 0:
            found.append(k)
            k = self.branches[k].parent
        return found


def branches_of(graph: RouteGraph, tree: Sequence[tuple[int, int]], posts: Mapping[str, Floats]) -> CableNetwork:
    """The tree as branches from the sources outward, with a spur from the trench to every post that stands beside it.

    Parameters
    ----------
    graph : RouteGraph
        Places by name: sources first, then where the trench passes each post, named as the post.
    tree : sequence of (int, int)
        Edges between its nodes.
    posts : mapping of str to (2,) array
        Where the posts stand, m.
    """
    pairs, places = graph.cheapest(), graph.places
    beside: dict[int, list[int]] = {}
    for a, b in tree:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    branches: list[Branch] = []
    joints: dict[int, str] = {}

    def name(place: int) -> str:
        held = places.names[place]
        if place < places.sources:
            return held
        if held:
            away = np.hypot(*(places.xy[place] - posts[held]))
            return held if away < _SAME_PLACE_M else foot_of(held)
        return joints.setdefault(place, f"joint {len(joints) + 1}")

    # node, branch that led there, source
    waiting: list[tuple[int, int, str]] = [(0, -1, "")]
    done = {0}
    while waiting:
        node, parent, source = waiting.pop(0)
        for other in sorted(set(beside.get(node, ())) - done):
            done.add(other)
            ends = [int(p) for p in graph.ends[pairs[node, other]]]
            start, end = ends if int(graph.node(ends[0])) == node else ends[::-1]
            fed_by = source or places.names[start]
            held = places.names[end]
            at_post = bool(held) and name(end) == held
            line = places.xy[[start, end]]
            branches.append(Branch(name(start), name(end), line, parent, fed_by, held if at_post else ""))
            number = len(branches) - 1
            if held and not at_post:
                spur = np.array([places.xy[end], posts[held]])
                branches.append(Branch(name(end), held, spur, number, fed_by, held))
            waiting.append((other, number, fed_by))
    return CableNetwork(tuple(branches))
