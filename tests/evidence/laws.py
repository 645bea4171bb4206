"""The facts of the trade under each law of the receiver: how many hold at which threshold."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np

from geotools.beam import HEAD_TYPES, TARGETS, Beam, solve_beams
from geotools.beam.field import BeamField
from tests.evidence.grounds import X
from tests.evidence.page import Section

TABLE = tomllib.loads((Path(__file__).parents[1] / "reference" / "beam" / "trade_tables.toml").read_text())
LENGTH = TABLE["zone_m"]
OFFSETS = np.linspace(-2.0, 2.0, 41)
THRESHOLDS = np.round(np.arange(0.05, 0.505, 0.01), 2)


def field_law(field: BeamField, target: str) -> np.ndarray:
    """Largest |dS| / |S| over a straight crossing, (n,)."""
    return np.abs(field.cut_grid(TARGETS[target], OFFSETS, field.ground_m[:, None])).max(axis=1)


def envelope_law(field: BeamField, target: str) -> np.ndarray:
    """Largest less smallest level over a straight crossing, the undisturbed level among them, (n,)."""
    level = np.abs(field.quiet_level - field.cut_grid(TARGETS[target], OFFSETS, field.ground_m[:, None]))
    return np.maximum(level.max(axis=1), field.quiet_level) - np.minimum(level.min(axis=1), field.quiet_level)


LAWS: dict[str, Callable[[BeamField, str], np.ndarray]] = {"field": field_law, "envelope": envelope_law}


@dataclass(frozen=True)
class Fact:
    """One row of the trade: it holds for thresholds from ``above`` (exclusive) up to ``upto`` (inclusive)."""

    text: str
    above: float
    upto: float

    def holds(self, threshold: float) -> bool:
        return self.above < threshold <= self.upto


@cache
def facts(law: str) -> tuple[Fact, ...]:
    """Every row of the table under one law, with the thresholds at which it holds."""
    measure = LAWS[law]
    found = []
    for case in TABLE["case"]:
        head, height = HEAD_TYPES[case["head"]], case["height_m"]
        (field,) = solve_beams([Beam(head, X, 0 * X, height, height)], single=False)
        inside = (case["from_heads_m"] <= X) & (LENGTH - case["from_heads_m"] >= X)
        size = measure(field, case["target"])[inside]
        # seen at all of these places, or at none of them
        held = (0.0, float(size.min())) if case["detected"] else (float(size.max()), np.inf)
        found.append(Fact(case["text"], *held))
    rule = TABLE["straightness"]
    for name, height, target in (("10 GHz", 0.91, "crawl"), ("24 GHz", 0.30, "prone")):
        allowed = rule[f"{target}_m"]
        shallow, deep = (
            _least_in_dips(measure, name, height, target, depth)
            for depth in (allowed / rule["about_factor"], allowed * rule["about_factor"])
        )
        # a shallower dip lets nobody through at any place, a deeper one does somewhere
        found.append(Fact(f"ground within about {allowed:g} m of straight serves the {target} threat", deep, shallow))
    found.append(_near_heads(measure))
    return tuple(found)


def _least_in_dips(measure: Callable, name: str, height: float, target: str, depth: float) -> float:
    """Smallest measure of any place in dips of this depth at three places, two widths."""
    places = [(centre, half) for centre in (20.0, 35.0, 50.0) for half in (3.0, 6.0)]
    beams = [Beam(HEAD_TYPES[name], X, -depth * np.exp(-(((X - c) / w) ** 2)), height, height) for c, w in places]
    return min(
        float(measure(field, target)[np.abs(X - centre) < half].min())
        for field, (centre, half) in zip(solve_beams(beams, single=False), places, strict=True)
    )


def _near_heads(measure: Callable) -> Fact:
    """The dead spot before a head: thresholds at which it grows with the head's height and has the length named."""
    near = TABLE["near_head"]
    beams = [Beam(HEAD_TYPES["10 GHz"], X, 0 * X, height, height) for height in near["heights_m"]]
    sizes = [measure(field, near["target"]) for field in solve_beams(beams, single=False)]
    held = []
    for threshold in THRESHOLDS:
        lengths = [
            float(X[int(np.argmax(size >= threshold))]) if (size >= threshold).any() else LENGTH for size in sizes
        ]
        grows = all(short < long for short, long in pairwise(lengths))
        if grows and near["shortest_m"] <= lengths[1] <= near["longest_m"]:
            held.append(float(threshold))
    if not held:
        return Fact(near["text"], np.inf, np.inf)
    return Fact(near["text"], min(held) - 1e-9, max(held))


def best_threshold(law: str) -> tuple[float, int]:
    """Threshold in the middle of those that hold most rows, and how many rows those are."""
    count = np.array([sum(fact.holds(t) for fact in facts(law)) for t in THRESHOLDS])
    at = np.flatnonzero(count == count.max())
    # the longest run of equally good thresholds
    run = max(np.split(at, np.flatnonzero(np.diff(at) > 1) + 1), key=len)
    return float(THRESHOLDS[run[len(run) // 2]]), int(count.max())


def laws(folder: Path) -> Section:
    section = Section("The receiver's law")
    section.say(
        "A receiver may weigh the field that a crossing takes away (`field`: |dS| over |S|) or the rise and fall of "
        "its level during the crossing (`envelope`: largest less smallest |S - dS|, over |S|). Each law gets one "
        "threshold for all rows. Straight crossings, square to the beam; common practice, no source."
    )
    best = {law: best_threshold(law) for law in LAWS}
    rows = []
    for index, fact in enumerate(facts("field")):
        cells = [fact.text]
        for law in LAWS:
            one = facts(law)[index]
            span = "never" if one.above >= one.upto else f"{one.above:.2f} to {one.upto:.2f}"
            cells.append(f"{span}: {'yes' if one.holds(best[law][0]) else '**no**'}")
        rows.append(cells)
    section.table(["the trade says", *(f"{law}: holds for thresholds; at {best[law][0]:.2f}" for law in LAWS)], rows)
    for law in LAWS:
        section.say(f"`{law}`: {best[law][1]} of {len(rows)} rows at {best[law][0]:.2f}.")
    return section
