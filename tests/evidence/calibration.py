"""Stated confidence against what is true: invented surveys of known ground."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.accuracy import Accuracy, error_field
from geotools.detection.cases import Rules
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Build, Unknowns
from geotools.detection.verdicts import CONFIDENCE, judge_stations
from geotools.plan.model import BeamPair, Zone
from tests.evidence.page import Section

SURVEYS, LENGTH, CORRELATION = 200, 50.0, 8.0
SURVEYED = Accuracy(0.09 / 1.96, correlation_m=CORRELATION)
BUILT_M, SETTLES_M = 0.05, 0.05
RULES = Rules(0.2, 1.5, 0.5, {"prone": TARGETS["prone"]})
ZONE = Zone("Z1", BeamLine(0.0, 0.0, LENGTH, 0.0), (BeamPair("low", HEAD_TYPES["24 GHz"], 0.31, 0.29),), "F01", 1)
EDGES = np.array([0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.001])
#: By how much a stated share may exceed the true one.
OVER = 0.05
#: By what share as many stations may be open as is stated, more or fewer.
AS_MANY = 0.2

Array = np.ndarray
Shape = Callable[[np.random.Generator, Array], Array]


class Gridded:
    """Ground known at the nodes of the zone's strip, the same in every case of a perimeter."""

    cell_m = 0.5

    def __init__(self, x: Array, y: Array, z: Array) -> None:
        from scipy.interpolate import RegularGridInterpolator

        self._at = RegularGridInterpolator((x, y), z, bounds_error=False, fill_value=None)

    def sample(self, x: Array, y: Array) -> Array:
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        return np.asarray(self._at(np.stack([x, y], axis=-1)))


def natural(rng: np.random.Generator, x: Array) -> Array:
    """Rough ground of all lengths from 10 to 60 m."""
    waves, phase = np.geomspace(10.0, 60.0, 8), rng.uniform(0.0, 2.0 * np.pi, 8)
    return sum(0.0016 * w**0.8 * np.sin(2.0 * np.pi * x / w + p) for w, p in zip(waves, phase, strict=True))


def dipped(rng: np.random.Generator, x: Array) -> Array:
    """Even ground with two dips of up to 0.25 m."""
    dips = zip(rng.uniform(8.0, 42.0, 2), rng.uniform(0.05, 0.25, 2), rng.uniform(2.0, 6.0, 2), strict=True)
    return -sum(deep * np.exp(-(((x - at) / wide) ** 2)) for at, deep, wide in dips)


def graded(rng: np.random.Generator, x: Array) -> Array:
    """Ground designed with a shallow sag that it drains through: filled from 12 to 38 m, as it was surveyed beside."""
    return -rng.uniform(0.12, 0.26) * np.exp(-(((x - rng.uniform(20.0, 30.0)) / 6.0) ** 2))


@dataclass(frozen=True)
class Found:
    """Of every station of every survey: stated share of worlds without a way through, and whether there is none."""

    stated: Array
    true: Array
    called: Array
    nodes: int

    @property
    def sure(self) -> float:
        """Share of the stations called detected that are."""
        return float(self.true[self.called].mean()) if self.called.any() else 1.0

    def bins(self) -> list[tuple[float, float, int]]:
        """Stated, true and count of stations, by ranges of the stated share."""
        rows = []
        for low, high in pairwise(EDGES):
            inside = (self.stated >= low) & (self.stated < high)
            if inside.any():
                rows.append((float(self.stated[inside].mean()), float(self.true[inside].mean()), int(inside.sum())))
        return rows

    def overstated(self) -> float:
        """By how much the stated share exceeds the true one at most, where 200 stations or more tell."""
        return max((stated - true for stated, true, count in self.bins() if count >= 200), default=0.0)

    def open_as_stated(self) -> float:
        """Stations open in truth are expected to be as many as the stated shares add up to: stated over true."""
        return float((1.0 - self.stated).sum() / (~self.true).sum())

    def off_the_diagonal(self) -> float:
        """By how much the stated share lies off the true one, on either side, beyond two standard errors of the latter.

        Stations within the errors' correlation length of each other count as one.
        """
        together = CORRELATION / (LENGTH / (self.nodes - 1))
        return max(
            abs(stated - true) - 2.0 * float(np.sqrt(stated * (1.0 - stated) / max(count / together, 1.0)))
            for stated, true, count in self.bins()
        )

    def understated(self) -> float:
        """By how much it falls short of the true one at most."""
        return max((true - stated for stated, true, count in self.bins() if count >= 200), default=0.0)


def surveys_of(
    shape: Shape, count: int, *, works: bool = False, believed: float = 1.0, about_survey: bool = False
) -> Found:
    """Invented surveys of invented grounds, each judged, and held against the ground itself.

    Parameters
    ----------
    shape : level of the ground along the beam.
    count : surveys.
    works : from 12 to 38 m the ground is proposed, and turns out as works do; the rest is surveyed.
    believed : factor on the stated accuracy; 1 is honest, 1.41 is noise counted twice.
    about_survey : the shape is what the survey shows, and the ground lies off it by the survey's error: all that
        somebody knows who has the survey and nothing else. Otherwise the survey lies off the ground.
    """
    nodes = Perimeter([ZONE], Gridded(np.array([0.0, LENGTH]), np.array([-9.0, 9.0]), np.zeros((2, 2))), RULES)
    grid = nodes.grids["Z1"]
    x, y = grid.chainage_m, grid.offset_m
    filled = (x > 12.0) & (x < 38.0)
    stated, true, called = [], [], []
    for number in range(count):
        rng = np.random.default_rng([7, number])
        level = np.repeat(shape(rng, x)[:, None], y.size, axis=1)
        error = error_field(x, y, SURVEYED, rng, 1)[0]
        surveyed = replace(SURVEYED, sigma_m=SURVEYED.sigma_m * believed)
        unknowns = Unknowns(surveyed, head_m=0.0, aim_deg=0.0, body=0.0, draws=32, seed=number)
        if works:
            off = Accuracy(BUILT_M / 1.96, correlation_m=4.0)
            built = error_field(x, y, off, rng, 1)[0] - rng.uniform(0.0, SETTLES_M)
            error = np.where(filled[:, None], -built, error)
            change = Gridded(x, y, np.repeat(np.where(filled, 0.4, 0.0)[:, None], y.size, axis=1))
            unknowns = replace(unknowns, build=Build(change, BUILT_M * believed, SETTLES_M))
        # what of the error the survey shows; the rest is the ground's own
        surveyed_part = 0.0 if about_survey else ~filled[:, None] if works else 1.0
        shown, there = level + error * surveyed_part, level - error * (1.0 - surveyed_part)
        seen, is_ = (Perimeter([ZONE], Gridded(x, y, ground), RULES) for ground in (shown, there))
        stations = judge_stations(seen, "Z1", unknowns).stations["prone"]
        inner = slice(8, -8)
        stated.append(1.0 - stations.open_share[inner])
        called.append(stations.detected()[inner])
        true.append(~is_.dead("Z1")["prone"][inner])
    return Found(*(np.concatenate(part) for part in (stated, true, called)), x.size)


def _about_surveys(section: Section) -> None:
    """The other way round: the survey is as invented and the truth lies about it, which the confidence speaks of."""
    section.say(
        "The other way round, the survey shows the invented ground and the truth lies off it by the survey's error: "
        "what somebody knows who has the survey and nothing else. There the stated share has to be true on both sides."
    )
    rows = []
    for name, (shape, works) in GROUNDS.items():
        if works:
            continue  # works lie off their design in either case: above
        found = surveys_of(shape, SURVEYS, about_survey=True)
        what = f"{name}, truth about the survey: stated share off the true one, beyond two standard errors, by"
        section.check(what, max(found.off_the_diagonal(), 0.0), OVER, "", "the diagonal")
        what = f"{name}, truth about the survey: stations open as stated, against those open in truth, off by"
        section.check(what, abs(found.open_as_stated() - 1.0), AS_MANY, "", f"{(~found.true).sum()} stations open")
        rows += [(name, f"{s:.2f}", f"{t:.2f}", n) for s, t, n in found.bins()]
    section.table(["ground, truth about the survey", "stated", "true", "stations"], rows)


GROUNDS: dict[str, tuple[Shape, bool]] = {
    "natural": (natural, False),
    "dipped": (dipped, False),
    "graded": (graded, True),
}


def calibration(folder: Path) -> Section:
    """Reliability diagrams for three kinds of ground."""
    section = Section("Stated confidence against what is true")
    section.say(
        f"{SURVEYS} invented surveys of each kind of ground, every one of a ground of its own ({LENGTH:g} m, one pair "
        f"of low heads, prone person, errors of {SURVEYED.sigma_m * 1.96:.2f} m (95 %) that go together over "
        f"{CORRELATION:g} m). Graded ground turns out within {BUILT_M:g} m of its design and settles by up to "
        f"{SETTLES_M:g} m. The engine judges each survey with the accuracy as stated and is held against the ground as "
        "it is, solved finely. Heads and bodies are exact here, so that the ground alone is asked about."
    )
    figure = Figure(figsize=(10, 3.6))
    axes = figure.subplots(1, 3, sharey=True)
    rows, short = [], []
    for axis, (name, (shape, works)) in zip(axes, GROUNDS.items(), strict=True):
        found = surveys_of(shape, SURVEYS, works=works)
        stated, true, count = (np.array(part) for part in zip(*found.bins(), strict=True))
        axis.plot([0, 1], [0, 1], color="0.6", lw=1)
        axis.plot(stated, true, "o-", color="#0072B2", ms=5)
        for s, t, n in zip(stated, true, count, strict=True):
            axis.annotate(f"{n}", (s, t), xytext=(5, -9), textcoords="offset points", fontsize=7)
        axis.set(title=name, xlabel="stated", xlim=(-0.03, 1.08), ylim=(-0.03, 1.05))
        rows += [(name, f"{s:.2f}", f"{t:.2f}", int(n)) for s, t, n in zip(stated, true, count, strict=True)]
        source = f"{SURVEYS} surveys, {found.called.sum()} stations called"
        section.check(f"{name}: called detected, and not", 1.0 - found.sure, 1.0 - CONFIDENCE, "", source)
        section.check(f"{name}: stated share more than the true one by", found.overstated(), OVER, "", "the diagonal")
        short.append(f"{found.understated():.2f} on {name} ground")
    axes[0].set_ylabel("share that is true")
    section.say(
        "Between the ends the stated share is less than the true one, by as much as "
        f"{', '.join(short)}: it is **not** calibrated there, but on the side that calls too much unproven. A survey "
        "is rougher than its ground by its own error, and a world drawn about it is so once more; a place where the "
        "ground is seldom bad looks worse in a survey than it is. What is called detected is held to its 95 % all the "
        "same."
    )
    section.table(["ground", "stated", "true", "stations"], rows)
    _about_surveys(section)
    caption = (
        "Stated share of worlds without a way through against the share that is true; numbers are stations. On the "
        "diagonal the confidence is what it says; above it, less than it could."
    )
    section.picture(folder, "calibration.png", figure, caption)
    return section
