"""From ground and heads to what a person meets at every place: pure arrays, many zones at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from geotools.beam import Beam, BeamField, Target, solve_beams
from geotools.beam.strip import Strip, detection_floor, modulation
from geotools.corridor import BeamLine
from geotools.steps.gaps.chain import chain_vertices, side_of
from geotools.steps.gaps.crossing import Graph, build_graph, shortest_way, worst_from
from geotools.steps.gaps.patch import Link, Patch

__all__ = [
    "Question",
    "ThreatResult",
    "ZoneWork",
    "examine",
    "fence_graph",
    "on_ground",
    "solve_zones",
    "threat_result",
]

Floats = NDArray[np.float64]
T = TypeVar("T")
_ZONES_AT_ONCE = 12


@dataclass(frozen=True)
class Question:
    """What is asked of every place.

    targets : threats, in the site's order. threshold : modulation that alarms. grass_m : height hidden by grass.
    floor_width_m : width of the body the detection floor is for.
    """

    targets: tuple[Target, ...]
    threshold: float
    grass_m: float = 0.0
    floor_width_m: float = 0.5


@dataclass(frozen=True)
class ZoneWork:
    """One zone as it is to be examined.

    line : transmitter post to receiver post. forward : whether that is the fence line's own direction.
    beams : one a level, over the strip's beam line.
    """

    zone_id: str
    number: int
    line: BeamLine
    forward: bool
    strip: Strip
    beams: tuple[Beam, ...]
    levels: tuple[str, ...]


def on_ground(work: ZoneWork, ground_m: Floats) -> ZoneWork:
    """The same zone and head heights on another ground, (n, k)."""
    strip = replace(work.strip, ground_m=ground_m)
    beams = tuple(replace(beam, ground_m=strip.line_ground_m) for beam in work.beams)
    return replace(work, strip=strip, beams=beams)


def solve_zones(works: Sequence[ZoneWork], ask: Callable[[ZoneWork, list[BeamField]], T]) -> Iterator[T]:
    """What ``ask`` makes of each zone's solved fields, in order; few fields are held at any time."""

    def one(chunk: Sequence[ZoneWork]) -> list[T]:
        fields = iter(solve_beams([beam for work in chunk for beam in work.beams]))
        return [ask(work, [next(fields) for _ in work.beams]) for work in chunk]

    chunks = [works[i : i + _ZONES_AT_ONCE] for i in range(0, len(works), _ZONES_AT_ONCE)]
    # transforms and array arithmetic leave the interpreter's lock: two threads keep two cores busy
    with ThreadPoolExecutor(max_workers=2) as pool:
        for answers in pool.map(one, chunks):
            yield from answers


def examine(
    works: Sequence[ZoneWork], question: Question, progress: Callable[[int], None] = lambda done: None
) -> tuple[list[Patch], list[tuple[float, ...]]]:
    """Each zone by its own beams alone: its patch, and the standing levels of its beams in decibels."""

    def ask(work: ZoneWork, fields: list[BeamField]) -> tuple[Patch, tuple[float, ...]]:
        best = np.stack(
            [modulation(fields, target, work.strip, grass_m=question.grass_m) for target in question.targets]
        )
        floor = detection_floor(fields, question.floor_width_m, question.threshold, work.strip)
        return Patch(work.line, work.strip, best, floor), tuple(field.standing_level_db for field in fields)

    patches: list[Patch] = []
    levels: list[tuple[float, ...]] = []
    for done, (patch, standing) in enumerate(solve_zones(works, ask)):
        patches.append(patch)
        levels.append(standing)
        progress(done + 1)
    return patches, levels


@dataclass(frozen=True)
class ThreatResult:
    """One threat over one fence line.

    through : per zone (n, k), the largest modulation met on the easiest way across through each node.
    weakest : per zone, the smallest of that over its beam line. ways : per zone, (m, 2) map places of that way, from
    the right of the chain to its left.
    """

    through: list[Floats]
    weakest: list[float]
    ways: list[Floats]


def fence_graph(
    works: Sequence[ZoneWork], patches: Sequence[Patch], links: Sequence[Link], closed: bool
) -> tuple[Graph, tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Graph of one fence line's strips, and its nodes on the right and on the left edge of the corridor."""
    graph = build_graph([patch.floor.shape for patch in patches], links)
    lines = [work.line if work.forward else work.line.reversed() for work in works]
    vertices = chain_vertices(lines, closed)
    right: list[NDArray[np.intp]] = []
    left: list[NDArray[np.intp]] = []
    for place, patch in enumerate(patches):
        n, k = patch.floor.shape
        number = graph.first[place] + np.arange(n * k, dtype=np.intp).reshape(n, k)
        edge = np.concatenate([number[:, 0], number[:, -1]])
        covered = [nodes + graph.first[a] for a, _, nodes, _ in links if a == place]
        free = edge[~np.isin(edge, np.concatenate(covered))] if covered else edge
        row, column = np.divmod(free - graph.first[place], k)
        x, y = patch.line.to_map(patch.strip.chainage_m[row], patch.strip.offset_m[column] * 1.01)
        side = side_of(vertices, place, x, y, closed)
        right.append(free[side < 0])
        left.append(free[side > 0])
    return graph, (np.concatenate(right), np.concatenate(left))


def threat_result(
    patches: Sequence[Patch],
    graph: Graph,
    best: Sequence[Floats],
    sides: tuple[NDArray[np.intp], NDArray[np.intp]],
    drawn: range,
) -> ThreatResult:
    """Weakest crossings of one threat.

    best : its joined modulation, (n, k) per patch. drawn : places of the patches whose ways are wanted.
    """
    cost = np.concatenate([grid.ravel() for grid in best])
    right, left = sides
    through = np.maximum(worst_from(graph, cost, right), worst_from(graph, cost, left))
    x, y = (
        np.concatenate([part.ravel() for part in parts])
        for parts in zip(*(patch.node_xy() for patch in patches), strict=True)
    )
    on_right, on_left = np.zeros(graph.size, dtype=bool), np.zeros(graph.size, dtype=bool)
    on_right[right], on_left[left] = True, True
    grids, weakest, ways = [], [], []
    for place, patch in enumerate(patches):
        n, k = patch.floor.shape
        grid = through[graph.first[place] : graph.first[place + 1]].reshape(n, k)
        grids.append(grid)
        middle = grid[:, k // 2]
        lowest = float(middle.min())
        weakest.append(lowest)
        if not np.isfinite(lowest) or place not in drawn:
            ways.append(np.empty((0, 2)))
            continue
        # several stations may be equally weak: the middle one of the first such run stands for them
        equal = np.flatnonzero(middle <= lowest + 1e-9)
        run = equal[: int(np.argmax(np.append(np.diff(equal) > 1, True))) + 1]
        across = graph.first[place] + run[run.size // 2] * k + np.arange(k)
        allowed = cost <= lowest + 1e-9
        ends = across[[0, -1]]
        if allowed[across].all() and on_right[ends].any() and on_left[ends].any():
            # straight across is open, and nothing is shorter
            nodes = across if on_right[ends[0]] else across[::-1]
        else:
            nodes = shortest_way(graph, x, y, allowed, on_right, on_left, int(across[k // 2]))
        ways.append(np.column_stack([x[nodes], y[nodes]]))
    return ThreatResult(grids, weakest, ways)
