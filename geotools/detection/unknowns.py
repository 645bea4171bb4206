"""What is not known exactly of a zone, drawn together: the survey, bodies, grass, heads as mounted.

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
from geotools.detection.accuracy import Accuracy, error_field
from geotools.detection.hidden import Hidden
from geotools.detection.perimeter import Case, Perimeter, moved_heads
from geotools.plan.model import Zone

__all__ = ["Unknowns", "drawn_modulation", "errors_of"]

Floats = NDArray[np.float64]
#: Correlation length of what is drawn without a survey: bodies and heads change no ground, m.
_SMOOTH_M = 10.0


@dataclass(frozen=True)
class Unknowns:
    """What enters the confidence of a verdict, each as half the width of its 95 % range unless said otherwise.

    Attributes
    ----------
    survey : Accuracy or None
        Of the ground; None where it is not stated.
    head_m : float
        Height of a head as mounted, m.
    body : float
        Share by which bodies are taller or shorter, wider or narrower than the target; the whole range.
    mirror_grass_m : float
        Height of grass that may reflect at its top, m; drawn between none and this.
    envelope : float or None
        Threshold of a receiver that measures the rise and fall of its level; None leaves that law out.
    hidden : Hidden or None
        What the survey may have missed between its points; None where that is left out.
    draws, seed : int
        Worlds drawn, and what they hang on beside the zone's number.
    """

    survey: Accuracy | None
    head_m: float = 0.02
    body: float = 0.15
    mirror_grass_m: float = 0.0
    envelope: float | None = None
    hidden: Hidden | None = None
    draws: int = 40
    seed: int = 1

    @property
    def correlation_m(self) -> float:
        """Correlation length of the survey's errors, m."""
        return _SMOOTH_M if self.survey is None else self.survey.correlation_m


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
    zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
    targets = list(perimeter.rules.targets.values())
    fine = np.array(list(perimeter.own(zone_id).values()))
    spacing = coarse_spacing(unknowns.correlation_m)
    cases = [Case(zone, strip, coarse_m=spacing)]
    cases += [_world(zone, strip, targets, unknowns, number, spacing) for number in worlds]
    before, *after = perimeter.best(cases)
    coarse_m = np.linspace(0.0, float(strip.chainage_m[-1]), before.shape[1])
    return [
        dict(zip(perimeter.rules.targets, with_change(fine, before, one, coarse_m, strip.chainage_m), strict=True))
        for one in after
    ]


def survey_error(strip: Strip, unknowns: Unknowns, rng: np.random.Generator) -> Floats:
    """The survey's error in a world, (n, k), m: the first thing that its random numbers give."""
    if unknowns.survey is None:
        return np.zeros(strip.ground_m.shape)
    return np.asarray(error_field(strip.chainage_m, strip.offset_m, unknowns.survey, rng, 1)[0])


def errors_of(perimeter: Perimeter, zone_id: str, unknowns: Unknowns, count: int) -> Floats:
    """The survey's errors in the first worlds of a zone, (worlds, n, k), m."""
    zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
    rngs = [np.random.default_rng([unknowns.seed, zone.number, number]) for number in range(count)]
    return np.array([survey_error(strip, unknowns, rng) for rng in rngs])


def _world(
    zone: Zone, strip: Strip, targets: Sequence[Target], unknowns: Unknowns, number: int, spacing: float
) -> Case:
    rng = np.random.default_rng([unknowns.seed, zone.number, number])
    ground = strip.ground_m + survey_error(strip, unknowns, rng)
    sigma = unknowns.head_m / 1.96
    moves = rng.normal(0.0, sigma, (len(zone.pairs), 2)) if sigma else np.zeros((len(zone.pairs), 2))
    taller, wider = 1.0 + rng.uniform(-unknowns.body, unknowns.body, 2)
    canopy = rng.uniform(0.0, unknowns.mirror_grass_m) if unknowns.mirror_grass_m else 0.0
    # a mirror at the grass's top: heads and bodies stand that much lower over it
    heads = moved_heads(zone, moves - canopy)
    bodies = [
        replace(t, height_m=t.height_m * taller - (canopy if t.base_m == 0 else 0.0), width_m=t.width_m * wider)
        for t in targets
    ]
    return Case(heads, replace(strip, ground_m=ground), bodies, coarse_m=spacing)
