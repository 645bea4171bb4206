"""Terrain against an exact solution: two heads on a rounded crest, a perfectly conducting cylinder.

The field is that of free space less what the cylinder scatters, a sum over whole angular orders (for example Bowman,
Senior and Uslenghi, Electromagnetic and Acoustic Scattering by Simple Shapes (1969), section 2.2, from memory), with
the heads at complex places as of `wedge`. On the lit side it is a beam with its reflection from a convex mirror, beyond
the crest a creeping wave.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.special import hankel1, jv

from geotools.beam import solve_beam
from tests.evidence.page import Section
from tests.evidence.wedge import LENGTH, RX, TX, WIDE, directive_ends

RADII_M = (1000.0, 400.0, 250.0, 150.0)


def exact_amplitude(radius_m: float, tx_m: float = TX, rx_m: float = RX) -> float:
    """Signal against free space of two heads over a cylinder whose crest lies at mid-span."""
    k, half = WIDE.wavenumber, LENGTH / 2.0
    foot = np.sqrt(radius_m**2 - half**2)
    moved = directive_ends(WIDE, rx_m - tx_m, half)
    tx, rx = np.array([-half, foot + tx_m]) + moved[0], np.array([half, foot + rx_m]) + moved[1]
    ends = [np.sqrt((end**2).sum()) for end in (tx, rx)]
    between = np.arctan(-tx[0] / tx[1]) + np.arctan(rx[0] / rx[1])
    last = k * max(abs(end) for end in ends)
    order = np.arange(int(last + 15.0 * last ** (1 / 3) + 40.0))
    share = jv(order, k * radius_m) / hankel1(order, k * radius_m)
    term = share * hankel1(order, k * ends[0]) * hankel1(order, k * ends[1]) * np.cos(order * between)
    term[1:] *= 2.0
    free = hankel1(0, k * np.sqrt(((rx - tx) ** 2).sum()))
    return float(abs(1.0 - term[np.isfinite(term)].sum() / free))


def solved_amplitude(radius_m: float, tx_m: float = TX, rx_m: float = RX) -> float:
    """The same by the package."""
    x = np.linspace(0.0, LENGTH, 81)
    ground = np.sqrt(radius_m**2 - (x - LENGTH / 2.0) ** 2) - radius_m
    return float(10 ** (solve_beam(WIDE, x, ground, tx_m, rx_m, step_m=0.25, dz_m=0.01).standing_level_db / 20.0))


def cylinder(folder: Path) -> Section:
    section = Section("Terrain: a rounded crest")
    section.say(
        f"The same heads, {LENGTH:g} m apart on a cylinder of this radius. The crest stands over the line of the heads "
        "from a radius of 308 m down; at 150 m it hides each from the other."
    )
    rows, worst = [], 0.0
    for radius in RADII_M:
        exact, solved = exact_amplitude(radius), solved_amplitude(radius)
        rise = radius - np.sqrt(radius**2 - (LENGTH / 2.0) ** 2)
        rows.append([f"{radius:g}", f"{rise:.2f}", f"{exact:.4f}", f"{solved:.4f}"])
        worst = max(worst, abs(exact - solved))
    section.table(["radius, m", "crest over its feet, m", "exact, of free space", "package"], rows)
    section.check("amplitude", worst, 0.001, "of free space", "conducting cylinder, exact series")
    return section
