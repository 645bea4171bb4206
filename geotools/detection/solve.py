"""From ground and heads to what a person meets at every place: pure arrays, many zones at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.beam import Beam, Target
from geotools.beam.response import ResponseRequest, StripResponse
from geotools.beam.strip import Strip
from geotools.corridor import BeamLine
from geotools.detection.patch import Patch
from geotools.engine.second import look_at

__all__ = [
    "Question",
    "ZoneWork",
    "best_of",
    "examine",
    "on_ground",
    "see_zones",
]

Floats = NDArray[np.float64]
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
    beams = tuple(replace(beam, ground_m=strip.beam_ground_m) for beam in work.beams)
    return replace(work, strip=strip, beams=beams)


def see_zones(
    works: Sequence[ZoneWork],
    silhouettes: Sequence[Sequence[tuple[Target, float]]],
    floor: tuple[float, float] | None = None,
) -> Iterator[list[StripResponse]]:
    """What each beam of each zone gives, zones in order.

    silhouettes : for each zone who is looked for, each with the height of grass. floor : as of the request.
    """
    for start in range(0, len(works), _ZONES_AT_ONCE):
        stop = start + _ZONES_AT_ONCE
        chunk = list(zip(works[start:stop], silhouettes[start:stop], strict=True))
        asked = [(beam, ResponseRequest(work.strip, tuple(who), floor)) for work, who in chunk for beam in work.beams]
        seen = iter(look_at(asked))
        for work, _ in chunk:
            yield [next(seen) for _ in work.beams]


def best_of(seen: Sequence[StripResponse]) -> Floats:
    """Best modulation over the beams of a stack, (silhouettes, n, k)."""
    return np.asarray(np.max([one.modulation for one in seen], axis=0))


def examine(
    works: Sequence[ZoneWork], question: Question, progress: Callable[[int], None] = lambda done: None
) -> tuple[list[Patch], list[tuple[float, ...]]]:
    """Each zone by its own beams alone: its patch, and the standing levels of its beams in decibels."""
    who = [(target, question.grass_m) for target in question.targets]
    patches: list[Patch] = []
    levels: list[tuple[float, ...]] = []
    every = see_zones(works, [who] * len(works), (question.floor_width_m, question.threshold))
    for done, (work, seen) in enumerate(zip(works, every, strict=True)):
        floor = np.min([one.floor for one in seen if one.floor is not None], axis=0)
        patches.append(Patch(work.line, work.strip, best_of(seen), floor))
        levels.append(tuple(one.standing_level_db for one in seen))
        progress(done + 1)
    return patches, levels
