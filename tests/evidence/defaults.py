"""What the defaults make of a well-kept site and of a poor one, and what each source of what is not known costs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from shapely import LineString

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.accuracy import Accuracy
from geotools.detection.cases import Rules
from geotools.detection.perimeter import Perimeter
from geotools.detection.stretches import Stretch, stretches
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import judge_stations
from geotools.plan.model import BeamPair, FenceChain, Zone
from geotools.site.detection import Detection
from tests.evidence.page import Section

#: Dead ground at the loose ends of the line, which an overlap covers everywhere else, m.
ENDS_M = 8.0
PAIRS = (BeamPair("low", HEAD_TYPES["24 GHz"], 0.30, 0.33), BeamPair("main", HEAD_TYPES["10 GHz"], 0.91, 0.88))
#: Accuracy of the survey (95 %) and height of the grass, m.
CASES = ((0.02, 0.0), (0.05, 0.0), (0.10, 0.0), (0.15, 0.0), (0.02, 0.04), (0.06, 0.08))
SOURCES = ("nothing", "survey", "body", "surface", "heads", "law")


class Flat:
    """Level ground."""

    cell_m = 0.25

    def sample(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.zeros(np.broadcast(x, y).shape)


def line_of_zones(count: int = 2, length: float = 100.0, overlap: float = 10.0) -> list[Zone]:
    """Zones of 100 m in line, their heads turned about from one to the next."""
    zones = []
    for number in range(count):
        line = BeamLine(number * (length - overlap), 2.0, number * (length - overlap) + length, 2.0)
        forward = number % 2 == 0
        zones.append(Zone(f"Z{number + 1}", line if forward else line.reversed(), PAIRS, "F01", number + 1, forward))
    return zones


def unknowns_of(accuracy_m: float, grass_m: float, known: str) -> Unknowns:
    """Every default of the site file, with one source taken as exactly known."""
    given = Detection(grass_m=grass_m)
    full = Unknowns(
        Accuracy(accuracy_m / 1.96),
        head_m=given.head_tolerance_m,
        aim_deg=given.aim_tolerance_deg,
        body=given.body_range,
        mirror_grass_m=grass_m,
        envelope=given.envelope_threshold,
        draws=32,
    )
    without: dict[str, dict[str, object]] = {
        "survey": {"survey": Accuracy(0.0)},
        "body": {"body": 0.0},
        "surface": {"mirror_grass_m": 0.0},
        "heads": {"head_m": 0.0, "aim_deg": 0.0},
        "law": {"envelope": None},
    }
    return replace(full, **without.get(known, {}))  # type: ignore[arg-type]


def said_of(accuracy_m: float, grass_m: float, known: str = "nothing") -> tuple[list[Stretch], float]:
    """Stretches of two zones on flat ground, and the length of the fence."""
    rules = Rules(0.2, 2.0, 0.5, {name: TARGETS[name] for name in ("walk", "crawl", "prone")}, grass_m)
    zones = line_of_zones()
    perimeter = Perimeter(zones, Flat(), rules)
    unknowns = unknowns_of(accuracy_m, grass_m, known)
    stations = {z.zone_id: judge_stations(perimeter, z.zone_id, unknowns).stations for z in zones}
    fence = LineString([(0.0, 0.0), (zones[-1].along_fence.x1, 0.0)])
    return stretches(FenceChain("F01", tuple(zones)), fence, list(rules.targets), stations), fence.length


def share(said: list[Stretch], length: float, threat: str, verdict: str) -> float:
    """Share of the fence between the loose ends' dead ground that has a verdict."""
    inner = [
        min(one.to_m, length - ENDS_M) - max(one.from_m, ENDS_M)
        for one in said
        if one.threat == threat and one.verdict == verdict
    ]
    return sum(max(piece, 0.0) for piece in inner) / (length - 2.0 * ENDS_M)


def defaults(folder: Path) -> Section:
    """Table of the defaults on flat ground."""
    section = Section("What the defaults make of flat ground")
    section.say(
        "Two zones of 100 m in line, overlap 10 m, main heads at 0.9 m (10 GHz) and low heads at 0.3 m (24 GHz), every "
        "setting as it is set from the first; the share of the fence between the dead ground of the two loose ends "
        f"({ENDS_M:g} m, which an overlap covers elsewhere) on which the prone person is detected with 95 % "
        "confidence. "
        "Each further column takes one source of what is not known as exactly known. A good survey of mown ground is "
        "provable with all of them; grass that may reflect at its top is what a site pays most for."
    )
    rows = []
    for accuracy, grass in CASES:
        cells = []
        for known in SOURCES:
            said, length = said_of(accuracy, grass, known)
            cells.append(share(said, length, "prone", "detected"))
            if known == "nothing":
                others = min(share(said, length, threat, "detected") for threat in ("walk", "crawl"))
                lost = share(said, length, "prone", "undetected")
        rows.append(
            [f"{accuracy:.2f} m", f"{grass:.2f} m" if grass else "mown", f"{others:.0%}"]
            + [f"{cell:.0%}" for cell in cells]
            + [f"{lost:.0%}"]
        )
        if (accuracy, grass) == (0.02, 0.0):
            section.check(
                "well kept: not detected, any threat", 1.0 - min(others, cells[0]), 0.0, "", "item of defaults"
            )
        if (accuracy, grass) == (0.06, 0.08):
            section.check("grass of 0.08 m: detected in spite of it", cells[0], 0.75, "", "no green for a poor site")
    columns = [
        "survey (95 %)",
        "grass",
        "walk, crawl",
        "prone",
        *(f"{s} known" for s in SOURCES[1:]),
        "prone undetected",
    ]
    section.table(columns, rows)
    return section
