"""Whether a zone passes by the survey after the works, and why, in words that claim no more than was measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geotools.errors import counted
from geotools.plan.model import Zone
from geotools.steps.asbuilt.kernel import Comparison

__all__ = ["acceptance_row", "worst_words"]

Row = dict[str, Any]


def acceptance_row(
    zone: Zone, found: Comparison, dead_m: tuple[float, float], half_m: float, graded: bool, places: Sequence[str]
) -> Row:
    """Row of the layer acceptance.

    Parameters
    ----------
    zone : Zone
        The zone in question.
    found : Comparison
        The survey against the design on its strip.
    dead_m : (float, float)
        Dead length on the design, and on the ground as built.
    half_m : float
        Half width of its strip.
    graded : bool
        Whether it has earthworks; where it has none, there is no design that levels are held to.
    places : sequence of str
        Where to go, in words: its worst area out of tolerance, or else those that were not measured closely enough.
    """
    out, unsure = graded and bool(found.areas), graded and bool(found.open)
    levels, detection = not (out or unsure), dead_m[1] == 0.0
    said = []
    if out:
        worst = max(found.areas, key=lambda area: abs(area.worst))
        said.append(
            f"{counted(len(found.areas), 'place')} out of tolerance, the worst by {worst.worst:+.2f} m over "
            f"{worst.area:.0f} m2 at {places[0]}"
        )
    elif unsure:
        further = len(found.open) - len(places)
        said.append(
            f"not measured closely enough in {counted(len(found.open), 'place')}, {found.open_m2:.0f} m2, so neither "
            f"passed nor failed there: measure {'; '.join(places)}"
            + (f"; and {counted(further, 'further place')}, see layer as_built" if further else "")
        )
    if not detection:
        said.append(f"the run on the ground as built finds {dead_m[1]:.1f} m dead")
    if not said:
        ground = "levels within tolerance" if graded else "no earthworks here"
        said.append(f"{ground}, and the run on the ground as built is clear")
    if not found.cells and not unsure:
        said.append("nothing of it was surveyed: its ground is taken as before")
    reason = "; ".join(said)
    return {
        "zone_id": zone.zone_id,
        "result": "fail" if out or not detection else "not measured" if unsure else "pass",
        "levels_ok": None if not graded or (unsure and not out) else levels,
        "detection_ok": detection,
        "cells": found.cells,
        "cells_out": found.cells_out,
        "mean_m": found.mean,
        "rms_m": found.rms,
        "worst_m": found.worst,
        "open_m2": found.open_m2 if graded else 0.0,
        "dead_design_m": dead_m[0],
        "dead_built_m": dead_m[1],
        "reason": f"{reason[0].upper()}{reason[1:]}.",
        "geometry": zone.line.rectangle(0.0, zone.line.length, half_m),
    }


def worst_words(row: Row) -> str:
    """Largest difference for the closing table; a dash where nothing was compared."""
    return f"{round(row['worst_m'], 2) + 0.0:+.2f}" if row["cells"] else "-"  # no -0.00
