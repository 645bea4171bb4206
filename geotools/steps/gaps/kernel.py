"""From ground and heads to what a person meets at every place: pure arrays, many zones at a time."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from geotools.beam import Beam, BeamField, Target
from geotools.beam.strip import Strip, detection_floor, modulation
from geotools.beam.wave import each_field
from geotools.corridor import BeamLine
from geotools.steps.gaps.patch import Patch

__all__ = [
    "Question",
    "ZoneWork",
    "examine",
    "on_ground",
    "solve_zones",
]

Floats = NDArray[np.float64]
T = TypeVar("T")
_ZONES_AT_ONCE = 32


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
    """What ``ask`` makes of each zone's solved fields, in order; a zone is asked about, on any thread, once all its
    beams are solved, and its fields are dropped then."""
    for start in range(0, len(works), _ZONES_AT_ONCE):
        yield from _Chunk(works[start : start + _ZONES_AT_ONCE], ask).answers()


class _Chunk(Generic[T]):
    """Zones whose beams are solved together."""

    def __init__(self, works: Sequence[ZoneWork], ask: Callable[[ZoneWork, list[BeamField]], T]) -> None:
        self._works, self._ask = works, ask
        self._owner = [(place, beam) for place, work in enumerate(works) for beam in range(len(work.beams))]
        self._solved: list[dict[int, BeamField]] = [{} for _ in works]
        self._answers: dict[int, T] = {}
        self._lock = threading.Lock()

    def answers(self) -> list[T]:
        """One answer a zone."""
        each_field([beam for work in self._works for beam in work.beams], self._take)
        return [self._answers[place] for place in range(len(self._works))]

    def _take(self, number: int, solved: BeamField) -> None:
        place, beam = self._owner[number]
        work, held = self._works[place], self._solved[place]
        with self._lock:
            held[beam] = solved
            complete = len(held) == len(work.beams)
        if complete:
            self._answers[place] = self._ask(work, [held.pop(beam) for beam in range(len(work.beams))])


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
