"""Colouring of a graph, exactly: whether so many colours are enough, and one way to give them.

Decided by backtracking from the most constrained vertex (DSATUR: D. Brelaz, Communications of the ACM 22, 1979), and
by an integer programme where backtracking would take too long.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from geotools.errors import NumericInputError

__all__ = ["UndecidedError", "clique", "colour"]

_PATIENCE = 20_000
_SECONDS = 20.0


class UndecidedError(Exception):
    """Neither a colouring nor a proof that there is none was found in time."""


def clique(adjacent: NDArray[np.bool_], enough: int | None = None) -> list[int]:
    """A large set of vertices that are all adjacent to each other, grown greedily from every vertex.

    enough : size at which the first found will do; of thousands of zones that are nearly all adjacent to each other,
        the largest set takes hours to grow, and to know that some colours are too few one more than those suffices.
    """
    best: list[int] = []
    degree = adjacent.sum(axis=1)
    for start in np.argsort(-degree, kind="stable"):
        if degree[start] < len(best):
            break
        members = [int(start)]
        common = adjacent[start].copy()
        while common.any() and len(members) != enough:
            among = np.flatnonzero(common)
            following = int(among[np.argmax(adjacent[np.ix_(among, among)].sum(axis=1))])
            members.append(following)
            common &= adjacent[following]
        if len(members) > len(best):
            best = members
        if len(best) == enough:
            break
    return sorted(best)


def colour(adjacent: ArrayLike, colours: int) -> NDArray[np.intp] | None:
    """Colour a graph so that neighbours differ, or None where that many colours are not enough (shown exactly).

    Parameters
    ----------
    adjacent : (n, n) symmetric, no vertex adjacent to itself.
    colours : how many there are.

    Raises
    ------
    NumericInputError : not a symmetric square array.
    """
    matrix = np.asarray(adjacent, dtype=bool)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1] or np.any(matrix != matrix.T) or matrix.diagonal().any():
        raise NumericInputError(
            "the graph of zones is not one",
            found=matrix.shape,
            expected="a symmetric square array, false on its diagonal",
        )
    n = matrix.shape[0]
    if n == 0:
        return np.empty(0, dtype=np.intp)
    if colours < 1:
        return None
    result = np.full(n, -1, dtype=np.intp)
    # a vertex with fewer neighbours than colours can always be coloured after them: peel such vertices off
    alive, peeled = np.ones(n, dtype=bool), []
    degree = matrix.sum(axis=1)
    while True:
        loose = np.flatnonzero(alive & (degree < colours))
        if not loose.size:
            break
        for one in loose.tolist():
            alive[one] = False
            peeled.append(one)
            degree -= matrix[one]
    core = np.flatnonzero(alive)
    if core.size:
        count, part = connected_components(csr_array(matrix[np.ix_(core, core)]), directed=False)
        for k in range(count):
            members = core[part == k]
            found = _colour_connected(matrix[np.ix_(members, members)], colours)
            if found is None:
                return None
            result[members] = found
    for vertex in reversed(peeled):
        taken = result[np.flatnonzero(matrix[vertex])]
        result[vertex] = next(c for c in range(colours) if c not in taken)
    return result


def _colour_connected(matrix: NDArray[np.bool_], colours: int) -> NDArray[np.intp] | None:
    fixed = clique(matrix, colours + 1)
    if len(fixed) > colours:
        return None
    try:
        return _backtrack(matrix, colours, fixed)
    except UndecidedError:
        return _programme(matrix, colours, fixed)


def _backtrack(matrix: NDArray[np.bool_], colours: int, fixed: list[int]) -> NDArray[np.intp] | None:
    n = matrix.shape[0]
    neighbours = [np.flatnonzero(row).tolist() for row in matrix]
    degree = [len(row) for row in neighbours]
    chosen = [-1] * n
    used = np.zeros((n, colours), dtype=np.int32)
    saturation = np.zeros(n, dtype=np.int32)

    def paint(vertex: int, shade: int) -> None:
        chosen[vertex] = shade
        for other in neighbours[vertex]:
            used[other, shade] += 1
            saturation[other] += used[other, shade] == 1

    def clean(vertex: int) -> None:
        shade, chosen[vertex] = chosen[vertex], -1
        for other in neighbours[vertex]:
            used[other, shade] -= 1
            saturation[other] -= used[other, shade] == 0

    for shade, vertex in enumerate(fixed):
        paint(vertex, shade)
    weight = np.array(degree) / (n + 1.0)
    # each entry: the vertex, the shades still to try, the highest shade in use before it
    stack: list[tuple[int, list[int], int]] = []
    highest, steps = len(fixed) - 1, 0

    def open_next() -> bool:
        free = np.array(chosen) < 0
        if not free.any():
            return False
        vertex = int(np.argmax(np.where(free, saturation + weight, -1.0)))
        # shades not in use yet are alike: one of them is enough
        shades = [s for s in range(min(highest + 2, colours)) if used[vertex, s] == 0]
        stack.append((vertex, shades[::-1], highest))
        return True

    if not open_next():
        return np.array(chosen)
    while stack:
        vertex, shades, before = stack[-1]
        if chosen[vertex] >= 0:
            clean(vertex)
            highest = before
        if not shades:
            stack.pop()
            continue
        steps += 1
        if steps > _PATIENCE:
            raise UndecidedError
        shade = shades.pop()
        paint(vertex, shade)
        highest = max(before, shade)
        if not open_next():
            return np.array(chosen)
    return None


def _programme(matrix: NDArray[np.bool_], colours: int, fixed: list[int]) -> NDArray[np.intp] | None:
    """The same as an integer programme; neighbours are kept apart by cliques, which is far tighter than by pairs."""
    n = matrix.shape[0]
    left = np.triu(matrix)
    cliques: list[list[int]] = []
    while left.any():
        a, b = (int(v) for v in np.argwhere(left)[0])
        members, common = [a, b], matrix[a] & matrix[b]
        while common.any():
            among = np.flatnonzero(common)
            following = int(among[np.argmax((left | left.T)[np.ix_(np.array(members), among)].sum(axis=0))])
            members.append(following)
            common &= matrix[following]
        left[np.ix_(members, members)] = False
        cliques.append(members)
    rows, columns = [], []
    for k, members in enumerate(cliques):
        for shade in range(colours):
            rows += [k * colours + shade] * len(members)
            columns += [v * colours + shade for v in members]
    apart = csr_array((np.ones(len(rows)), (rows, columns)), shape=(len(cliques) * colours, n * colours))
    each = csr_array((np.ones(n * colours), (np.repeat(np.arange(n), colours), np.arange(n * colours))))
    low, high = np.zeros(n * colours), np.ones(n * colours)
    for shade, vertex in enumerate(fixed):
        low[vertex * colours + shade] = 1.0
    answer = milp(
        np.zeros(n * colours),
        constraints=[LinearConstraint(apart, -np.inf, 1.0), LinearConstraint(each, 1.0, 1.0)],
        integrality=np.ones(n * colours),
        bounds=Bounds(low, high),
        options={"time_limit": _SECONDS},
    )
    if answer.status == 2:
        return None
    if answer.x is None:
        raise UndecidedError
    return np.argmax(answer.x.reshape(n, colours), axis=1)
