"""Terrain against an exact solution: a line source beside a perfectly conducting wedge, convex (a roof) or concave.

The field is the sum over the wedge's own angular functions (for example Bowman, Senior and Uslenghi, Electromagnetic
and Acoustic Scattering by Simple Shapes (1969), section 6.2, from memory). Nothing in it is paraxial, flattened or
marched; for a flat ground it is the two-ray sum, and the constant before it is found from that.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.special import hankel1, jv

from geotools.beam import HeadType, solve_beam
from tests.evidence.page import Section

LENGTH = 40.0
WIDE = HeadType("wide", 10.525e9, 40.0, 40.0, 500.0)
"""Wide enough to light the edge as the other head."""
TX, RX = 0.50, 0.80
APEXES = (-0.8, -0.4, -0.1, 0.0, 0.2, 0.5, 0.8, 1.2, 1.6)


def exact_level_db(apex_m: float, tx_m: float = TX, rx_m: float = RX) -> float:
    """Level against free space of two heads on either foot of a roof or valley, its apex at mid-span, decibels."""
    k, half = WIDE.wavenumber, LENGTH / 2.0
    # angles above each face, seen from the apex
    face = np.arctan2(apex_m, half)
    ends = [np.hypot(half, height - apex_m) for height in (tx_m, rx_m)]
    above = [face + np.arctan2(height - apex_m, half) for height in (tx_m, rx_m)]
    opening = np.pi + 2.0 * face
    near, far = min(ends), max(ends)
    count = int((k * near + 12.0 * (k * near) ** (1 / 3) + 30.0) * opening / np.pi)
    order = np.arange(1, count + 1) * np.pi / opening
    waves = jv(order, k * near) * hankel1(order, k * far)
    term = waves * np.sin(order * above[0]) * np.sin(order * (opening - above[1]))
    total = 1j * np.pi / opening * term[np.isfinite(term)].sum()
    free = 0.25j * hankel1(0, k * np.hypot(LENGTH, tx_m - rx_m))
    return float(20.0 * np.log10(np.abs(total / free)))


def solved_level_db(apex_m: float, tx_m: float = TX, rx_m: float = RX) -> float:
    """The same by the package."""
    x = np.linspace(0.0, LENGTH, 81)
    ground = apex_m * (1.0 - np.abs(x - LENGTH / 2.0) / (LENGTH / 2.0))
    return solve_beam(WIDE, x, ground, tx_m, rx_m, step_m=0.25, dz_m=0.01).standing_level_db


def wedge(folder: Path) -> Section:
    section = Section("Terrain: an exact solution")
    section.say(
        f"Two wide heads at {TX:g} and {RX:g} m on either foot of a roof (apex above 0) or of a valley (below 0), "
        f"{LENGTH:g} m apart, 10 GHz; the line of the heads is grazed at an apex of {(TX + RX) / 2:g} m. The series is "
        "exact for a line source beside a conducting wedge."
    )
    rows, worst, deep = [], 0.0, 0.0
    for apex in APEXES:
        exact, solved = exact_level_db(apex), solved_level_db(apex)
        rows.append([f"{apex:+.1f}", f"{exact:.2f}", f"{solved:.2f}"])
        if exact > -10.0:
            worst = max(worst, abs(exact - solved))
        deep = max(deep, abs(10 ** (exact / 20) - 10 ** (solved / 20)))
    section.table(["apex, m", "exact, dB", "package, dB"], rows)
    section.check("level above -10 dB", worst, 0.5, "dB", "conducting wedge, exact series")
    section.check("amplitude, shadow and nulls included", deep, 0.06, "of free space", "conducting wedge, exact series")
    return section
