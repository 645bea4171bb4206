"""What is not known exactly of a zone, drawn together: survey, build, bodies, surface, heads as mounted.

Each draw is a world that the plan might stand in. What changes between the plan's own state and a draw is solved on a
coarse grid (:mod:`geotools.beam.draws`) and added to the fine answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.beam import Target
from geotools.beam.draws import coarse_spacing, with_change
from geotools.beam.strip import Strip
from geotools.corridor import BeamLine
from geotools.detection.accuracy import PER_95, Accuracy, Measured, error_field
from geotools.detection.cases import Case, Rules, moved_heads, over_mirror
from geotools.detection.hidden import Hidden
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import Zone
from geotools.terrain.design import Ground
from geotools.terrain.known import KnownLevels

__all__ = ["Build", "Drawing", "Unknowns", "drawn_modulation", "without_each"]

Floats = NDArray[np.float64]
#: Correlation length of what is drawn without a survey: bodies and heads change no ground, m.
_SMOOTH_M = 10.0
#: Built levels are off together over the width of a machine's pass (common practice, no source), m.
_PASS_M = 4.0
#: A change of level below this is none, m.
_NOTHING_M = 1e-3


@dataclass(frozen=True)
class Build:
    """Ground that is proposed and not measured yet.

    Attributes
    ----------
    change : Ground
        Fill (positive) or cut (negative) that the terrain model holds already, m; NaN or 0 where nothing is worked.
    tolerance_m : float
        How far built levels may lie off the design (95 %), m. It takes the place of the survey's accuracy there.
    settlement_m : float
        How far fill may settle, never deeper than it is, m; drawn between none and this.
    """

    change: Ground
    tolerance_m: float = 0.03
    settlement_m: float = 0.05


@dataclass(frozen=True)
class Unknowns:
    """What enters the confidence of a verdict, each as half the width of its 95 % range unless said otherwise.

    Attributes
    ----------
    survey : Accuracy or None
        Of the ground; None where it is not stated.
    head_m, aim_deg : float
        Height of a head as mounted, m, and where it points, up and sideways, degrees.
    body : float
        Share by which bodies are taller or shorter, wider or narrower than the target; the whole range.
    mirror_grass_m : float
        Height of grass or snow that may reflect at its top, m. Some worlds have none of it, some all, the others some.
    envelope : float or None
        Threshold of a receiver that measures the rise and fall of its level; None leaves that law out.
    hidden : Hidden or None
        What the survey may have missed between its points; None where that is left out.
    build : Build or None
        Ground that is proposed and not built yet.
    levels : KnownLevels or None
        Levels measured again, by which the ground is corrected already.
    draws, seed : int
        Worlds drawn, and what they hang on beside the zone's number.
    """

    survey: Accuracy | None
    head_m: float = 0.02
    body: float = 0.15
    mirror_grass_m: float = 0.0
    envelope: float | None = None
    hidden: Hidden | None = None
    build: Build | None = None
    draws: int = 40
    seed: int = 1
    aim_deg: float = 1.0
    levels: KnownLevels | None = None

    def measured(self, line: BeamLine, strip: Strip) -> Measured | None:
        """Where levels of a zone's strip, and just beside it, were measured again."""
        if self.levels is None or self.survey is None:
            return None
        along, aside = line.from_map(self.levels.xy[:, 0], self.levels.xy[:, 1])
        reach = 2.0 * self.correlation_m
        near = (along > -reach) & (along < line.length + reach) & (np.abs(aside) < strip.offset_m[-1] + reach)
        noise = max((self.levels.own_sigma_m / max(self.survey.sigma_m, 1e-6)) ** 2, 1e-6)
        return Measured(along[near], aside[near], noise) if near.any() else None

    @property
    def correlation_m(self) -> float:
        """Shortest distance over which the ground's errors go together, m."""
        survey = _SMOOTH_M if self.survey is None else self.survey.correlation_m
        return survey if self.build is None else min(survey, _PASS_M)


@dataclass(frozen=True)
class _World:
    """One draw: error of the ground (n, k), moves (pairs, 2) and aim (pairs, 4) of heads, bodies, a mirror's height."""

    ground_m: Floats
    moves_m: Floats
    aim_deg: Floats
    taller: float = 1.0
    wider: float = 1.0
    mirror_m: float = 0.0

    def case(self, zone: Zone, strip: Strip, rules: Rules, spacing: float) -> Case:
        """The zone in this world, to be solved coarsely."""
        # a mirror at the grass's top: heads and bodies stand that much lower over it, and so much less grass hides them
        heads = moved_heads(zone, self.moves_m - self.mirror_m)
        return Case(
            heads,
            replace(strip, ground_m=strip.ground_m + self.ground_m),
            [self._body(target) for target in rules.targets_of(zone)],
            grass_m=max(rules.grass_m - self.mirror_m, 0.0),
            coarse_m=spacing,
            aim_deg=self.aim_deg if self.aim_deg.any() else None,
        )

    def _body(self, target: Target) -> Target:
        """A body over the mirror, as tall and wide as in this world."""
        grown = replace(target, height_m=target.height_m * self.taller, width_m=target.width_m * self.wider)
        return over_mirror(grown, self.mirror_m)


def drawn_modulation(
    perimeter: Perimeter, zone_id: str, unknowns: Unknowns, worlds: Sequence[int]
) -> list[Mapping[str, Floats]]:
    """Best modulation of a zone's own heads in drawn worlds, by threat, (n, k) each.

    Parameters
    ----------
    perimeter : Perimeter
        With the zone solved as it stands.
    zone_id : str
        The zone.
    unknowns : Unknowns
        What is drawn.
    worlds : sequence of int
        Numbers of the worlds; one number is the same world in every call.
    """
    return Drawing(perimeter, zone_id, unknowns).worlds(worlds)[0]


class Drawing:
    """Worlds of one zone, in as many calls as wanted; its coarse answer as it stands is solved once for all of them.

    Parameters
    ----------
    perimeter : Perimeter
        With the zone solved as it stands.
    zone_id : str
        The zone.
    unknowns : Unknowns
        What is drawn.
    """

    def __init__(self, perimeter: Perimeter, zone_id: str, unknowns: Unknowns) -> None:
        self.perimeter, self.zone_id, self.unknowns = perimeter, zone_id, unknowns
        self.works = _Works.of(perimeter, zone_id, unknowns)
        self._before: Floats | None = None

    def drawn(self, worlds: Sequence[int]) -> list[_World]:
        """Worlds by their numbers, not solved."""
        return [_drawn(self.perimeter, self.zone_id, self.unknowns, self.works, number) for number in worlds]

    def worlds(self, worlds: Sequence[int]) -> tuple[list[Mapping[str, Floats]], Floats]:
        """`drawn_modulation`, and the survey's error under the beam line in each world, (worlds, n), m.

        The error is none where the ground is proposed.
        """
        drawn, middle = self.drawn(worlds), self.perimeter.strip(self.zone_id).offset_m.size // 2
        surveyed = 1.0 if self.works is None else ~self.works.worked[:, middle]
        return self.solved(drawn), np.array([world.ground_m[:, middle] for world in drawn]) * surveyed

    def solved(self, worlds: Sequence[_World]) -> list[Mapping[str, Floats]]:
        """Modulation of the zone's own heads in each world, by threat."""
        perimeter, zone = self.perimeter, self.perimeter.zones[self.zone_id]
        strip, spacing = perimeter.strip(self.zone_id), coarse_spacing(self.unknowns.correlation_m)
        as_it_stands = [Case(zone, strip, coarse_m=spacing)] if self._before is None else []
        after = perimeter.best([*as_it_stands, *(one.case(zone, strip, perimeter.rules, spacing) for one in worlds)])
        if self._before is None:
            self._before, *after = after
        before, fine = self._before, np.array(list(perimeter.own(self.zone_id).values()))
        coarse_m = np.linspace(0.0, float(strip.chainage_m[-1]), before.shape[1])
        return [
            dict(zip(perimeter.rules.targets, with_change(fine, before, one, coarse_m, strip.chainage_m), strict=True))
            for one in after
        ]


def without_each(
    perimeter: Perimeter, zone_id: str, unknowns: Unknowns, worlds: Sequence[int]
) -> dict[str, list[Mapping[str, Floats]]]:
    """The same with one source at a time taken as exactly known, by source; those that are known anyway are left out.

    Parameters
    ----------
    perimeter, zone_id, unknowns, worlds
        As of :func:`drawn_modulation`.
    """
    drawing = Drawing(perimeter, zone_id, unknowns)
    drawn, works = drawing.drawn(worlds), drawing.works
    worked = np.zeros(perimeter.strip(zone_id).ground_m.shape, bool) if works is None else works.worked
    without: dict[str, list[_World]] = {}
    if unknowns.survey is not None and unknowns.survey.sigma_m > 0.0:
        without["survey"] = [replace(one, ground_m=np.where(worked, one.ground_m, 0.0)) for one in drawn]
    if worked.any():
        without["build"] = [replace(one, ground_m=np.where(worked, 0.0, one.ground_m)) for one in drawn]
    if unknowns.body > 0.0:
        without["body"] = [replace(one, taller=1.0, wider=1.0) for one in drawn]
    if unknowns.mirror_grass_m > 0.0:
        without["surface"] = [replace(one, mirror_m=0.0) for one in drawn]
    if unknowns.head_m > 0.0 or unknowns.aim_deg > 0.0:
        without["heads"] = [replace(one, moves_m=0.0 * one.moves_m, aim_deg=0.0 * one.aim_deg) for one in drawn]
    solved = iter(drawing.solved([one for each in without.values() for one in each]))
    return {source: [next(solved) for _ in each] for source, each in without.items()}


def survey_error(line: BeamLine, strip: Strip, unknowns: Unknowns, rng: np.random.Generator) -> Floats:
    """The survey's error in a world, (n, k), m: the first thing that its random numbers give."""
    if unknowns.survey is None or unknowns.survey.sigma_m == 0.0:
        return np.zeros(strip.ground_m.shape)
    measured = unknowns.measured(line, strip)
    return np.asarray(error_field(strip.chainage_m, strip.offset_m, unknowns.survey, rng, 1, measured)[0])


@dataclass(frozen=True)
class _Works:
    """Change of level at the nodes of a strip, (n, k) m, and where there is any."""

    change_m: Floats
    worked: NDArray[np.bool_]

    @classmethod
    def of(cls, perimeter: Perimeter, zone_id: str, unknowns: Unknowns) -> _Works | None:
        if unknowns.build is None:
            return None
        change = np.nan_to_num(unknowns.build.change.sample(*perimeter.grids[zone_id].map_xy()))
        return cls(change, np.abs(change) > _NOTHING_M)

    def error(self, strip: Strip, build: Build, rng: np.random.Generator) -> Floats:
        """How far the works turn out off their design, (n, k) m."""
        off = Accuracy(build.tolerance_m / PER_95, correlation_m=_PASS_M)
        level = error_field(strip.chainage_m, strip.offset_m, off, rng, 1)[0]
        settled = rng.uniform(0.0, 1.0) * np.minimum(np.maximum(self.change_m, 0.0), build.settlement_m)
        return np.asarray(level - settled)


def _drawn(perimeter: Perimeter, zone_id: str, unknowns: Unknowns, works: _Works | None, number: int) -> _World:
    zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
    rng = np.random.default_rng([unknowns.seed, zone.number, number])
    ground = survey_error(zone.line, strip, unknowns, rng)
    pairs = len(zone.pairs)
    moves = rng.normal(0.0, unknowns.head_m / PER_95, (pairs, 2))
    taller, wider = 1.0 + rng.uniform(-unknowns.body, unknowns.body, 2)
    # detected means under both bounds: no mirror in the grass, and one at its top; and between them
    share = (0.0, 1.0, rng.uniform(), rng.uniform())[number % 4]
    aim = rng.normal(0.0, unknowns.aim_deg / PER_95, (pairs, 4))
    if works is not None and unknowns.build is not None:
        ground = np.where(works.worked, works.error(strip, unknowns.build, rng), ground)
    return _World(ground, moves, aim, float(taller), float(wider), share * unknowns.mirror_grass_m)
