"""Terrain against an exact solution: a line source beside a perfectly conducting wedge, convex (a roof) or concave.

The field is the sum over the wedge's own angular functions (for example Bowman, Senior and Uslenghi, Electromagnetic
and Acoustic Scattering by Simple Shapes (1969), section 6.2, from memory). Nothing in it is paraxial, flattened or
marched; for a flat ground it is the two-ray sum, and the constant before it is found from that. The heads are
directive: their places are complex. Against heads that send all around, the package differs by what its heads' pattern
takes of rays that come from aside, 0.06 of free space in the deepest valley.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.special import hankel1, jv

from geotools.beam import HeadType, solve_beam
from geotools.beam.antenna import waist
from tests.evidence.page import Section

LENGTH = 40.0
WIDE = HeadType("wide", 10.525e9, 40.0, 40.0, 500.0)
"""Wide enough to light the edge as the other head."""
TX, RX = 0.50, 0.80
APEXES = (-0.8, -0.4, -0.1, 0.0, 0.2, 0.5, 0.8, 1.2, 1.6)


def directive_ends(head: HeadType, rise_m: float, half_m: float) -> tuple[np.ndarray, np.ndarray]:
    """By how much both heads' places are moved into the complex, (2,) each, so that they send as Gaussian beams do.

    A line source at a complex place is a Gaussian beam to the second order of the angle, and solves the wave equation
    everywhere (Deschamps, Electronics Letters 7, 1971, from memory): an exact series for a line source is one for a
    directive head. Both are aimed at each other.
    """
    depth = 0.5 * head.wavenumber * waist(head.wavenumber, head.beamwidth_el_deg) ** 2
    aim = np.array([2.0 * half_m, rise_m]) / np.hypot(2.0 * half_m, rise_m)
    return 1j * depth * aim, -1j * depth * aim


def exact_level_db(apex_m: float, tx_m: float = TX, rx_m: float = RX, *, directive: bool = True) -> float:
    """Level against free space of two heads on either foot of a roof or valley, its apex at mid-span, decibels.

    directive : heads with the pattern of `WIDE`; else line sources that send all around.
    """
    k, half = WIDE.wavenumber, LENGTH / 2.0
    tx, rx = (np.array([side * half, height - apex_m], complex) for side, height in ((-1.0, tx_m), (1.0, rx_m)))
    if directive:
        moved = directive_ends(WIDE, rx_m - tx_m, half)
        tx, rx = tx + moved[0], rx + moved[1]
    # distances from the apex, and angles above each face seen from there
    face = np.arctan2(apex_m, half)
    ends = [np.sqrt((end**2).sum()) for end in (tx, rx)]
    above = [face + np.arctan(-tx[1] / tx[0]), face + np.arctan(rx[1] / rx[0])]
    opening = np.pi + 2.0 * face
    near, far = sorted(ends, key=abs)
    count = int((k * abs(near) + 12.0 * (k * abs(near)) ** (1 / 3) + 30.0) * opening / np.pi)
    order = np.arange(1, count + 1) * np.pi / opening
    waves = jv(order, k * near) * hankel1(order, k * far)
    term = waves * np.sin(order * above[0]) * np.sin(order * (opening - above[1]))
    total = 1j * np.pi / opening * term[np.isfinite(term)].sum()
    free = 0.25j * hankel1(0, k * np.sqrt(((rx - tx) ** 2).sum()))
    return float(20.0 * np.log10(np.abs(total / free)))


def solved_level_db(apex_m: float, tx_m: float = TX, rx_m: float = RX) -> float:
    """The same by the package."""
    x = np.linspace(0.0, LENGTH, 81)
    ground = apex_m * (1.0 - np.abs(x - LENGTH / 2.0) / (LENGTH / 2.0))
    return solve_beam(WIDE, x, ground, tx_m, rx_m, step_m=0.25, dz_m=0.01).standing_level_db


def wedge(folder: Path) -> Section:
    section = Section("Terrain: an exact solution")
    section.say(
        f"Two heads of 40 degrees at {TX:g} and {RX:g} m on either foot of a roof (apex above 0) or of a valley "
        f"(below 0), {LENGTH:g} m apart, 10 GHz; the line of the heads is grazed at an apex of {(TX + RX) / 2:g} m. "
        "The series is exact for a line source beside a conducting wedge, and for a directive head where the source "
        "lies at a complex place."
    )
    rows, gentle, steep = [], 0.0, 0.0
    for apex in APEXES:
        exact, solved = exact_level_db(apex), solved_level_db(apex)
        apart = abs(10 ** (exact / 20) - 10 ** (solved / 20))
        rows.append([f"{apex:+.1f}", f"{exact:.2f}", f"{solved:.2f}", f"{apart:.4f}"])
        if apex >= -0.4:
            gentle = max(gentle, apart)
        steep = max(steep, apart)
    section.table(["apex, m", "exact, dB", "package, dB", "apart, of free space"], rows)
    section.check(
        "amplitude, roofs, and valleys to 2 %", gentle, 0.006, "of free space", "conducting wedge, exact series"
    )
    section.check("amplitude, a valley of 4 % as well", steep, 0.04, "of free space", "conducting wedge, exact series")
    section.say(
        "What is left in valleys grows with their slope and is no matter of steps, which may be halved without a "
        "change. The field takes plumb heights and level lengths, which over a sloping mirror makes the phase between "
        "beam and reflection too large (tested); the same is the likely cause here."
    )
    return section
