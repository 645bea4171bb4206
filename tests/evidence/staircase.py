"""A second solver, made another way: finite differences on level heights with a staircase ground.

Crank-Nicolson in the paraxial equation, u = 0 at and below the ground, no shift map, no transform. It shares nothing
with the package but the head's aperture, and is first order in the ground's steps; it is refined until that does not
matter.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from scipy.linalg import solve_banded

from geotools.beam import HEAD_TYPES, TARGETS, HeadType, solve_beam
from geotools.beam.antenna import waist
from geotools.beam.closed_form import free_overlap
from tests.evidence.grounds import GROUNDS
from tests.evidence.page import Section

LENGTH = 60.0


def _march(
    head: HeadType, ground: np.ndarray, base: float, dz: float, top: int, dx: float, height: float, aim: float
) -> np.ndarray:
    """(nodes, heights) field of one head over ground (nodes,), heights counted from ``base``."""
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_el_deg)
    z = base + np.arange(top) * dz
    at = ground[0] + height
    u = np.exp(-(((z - at) / w0) ** 2) + 1j * k * aim * (z - at))
    u -= np.exp(-(((z - 2 * ground[0] + at) / w0) ** 2) - 1j * k * aim * (z - 2 * ground[0] + at))
    u[z <= ground[0]] = 0.0
    share = np.clip((np.arange(top) / top - 0.6) / 0.4, 0, 1)
    fade = np.exp(-0.35 * dx * share**2 * 3.0)
    r = 1j * dx / (4 * k * dz**2)
    bands = np.empty((3, top), complex)
    bands[0], bands[1], bands[2] = -r, 1 + 2 * r, -r
    seen = np.empty((ground.size, top), complex)
    seen[0] = u
    for node in range(1, ground.size):
        right = (1 - 2 * r) * u
        right[1:] += r * u[:-1]
        right[:-1] += r * u[1:]
        # the ground's cells are held at zero by their own equation
        low = int(np.ceil((max(ground[node], ground[node - 1]) - base) / dz))
        u = np.zeros_like(u)
        u[low + 1 :] = solve_banded((1, 1), bands[:, low + 1 :], right[low + 1 :], check_finite=False)
        u *= fade
        seen[node] = u
    return seen


def solve(head: HeadType, ground: Callable[[np.ndarray], np.ndarray], height: float, dz: float, dx: float):
    """Chainage, modulation by target and standing level of the staircase solver."""
    x = np.arange(round(LENGTH / dx) + 1) * dx
    h = ground(x)
    base = float(h.min()) - 2 * dz
    top = round((float(h.max()) - base + height + 3.5) / 0.6 / dz)
    aim = (h[-1] - h[0]) / LENGTH
    tx = _march(head, h, base, dz, top, dx, height, aim)
    rx = _march(head, h[::-1], base, dz, top, dx, height, -aim)[::-1]
    product = tx * rx
    signal = product.sum(axis=1) * dz
    free = abs(free_overlap(head.wavenumber, head.beamwidth_el_deg, LENGTH))
    middle = float(np.abs(signal[round(0.2 * x.size) : round(0.8 * x.size)]).mean())
    scale = max(middle, 0.3 * free)
    running = np.cumsum(product, axis=1) * dz
    z = base + np.arange(top) * dz
    lateral = solve_beam(head, x[:: round(0.5 / dx)], h[:: round(0.5 / dx)], height, height)
    modulation = {}
    for name in ("walk", "crawl", "prone"):
        target = TARGETS[name]
        cut = [np.interp(h[i] + target.height_m, z, running[i]) for i in range(x.size)]
        across = np.interp(x, lateral.chainage_m, lateral.lateral([0.0], target.width_m)[:, 0])
        modulation[name] = np.abs(cut) / scale * across
    return x, modulation, 20 * np.log10(middle / free)


def second_solver(folder: Path) -> Section:
    section = Section("Terrain: a second solver")
    section.say(
        "The package flattens the ground (shift map) and marches by sine transform. Here the same paraxial field is "
        "found by finite differences over a staircase ground, 60 m, and the modulations along the beam line are "
        "compared from 6 m off the heads. Extrapolated to no step at all, the staircase agrees; at a given step it is "
        "first order, which is why the package does not use it."
    )
    figure = Figure(figsize=(9, 6))
    panels = figure.subplots(2, 2, sharex=True)
    rows, worst, worst_level = [], 0.0, 0.0
    cases = [
        ("10 GHz", 0.91, "crawl", "dip", lambda x: -0.35 * np.exp(-(((x - 28) / 4) ** 2))),
        ("10 GHz", 0.91, "crawl", "crest", lambda x: 0.5 * np.exp(-(((x - 30) / 7) ** 2))),
        ("24 GHz", 0.30, "prone", "dip", lambda x: -0.15 * np.exp(-(((x - 28) / 4) ** 2))),
        ("24 GHz", 0.30, "prone", "waves", list(GROUNDS.values())[1]),
    ]
    for axes, (name, height, target, words, ground) in zip(panels.ravel(), cases, strict=True):
        head = HEAD_TYPES[name]
        x = np.linspace(0, LENGTH, 121)
        field = solve_beam(head, x, ground(x), height, height)
        ours = field.modulation(TARGETS[target])
        found = [solve(head, ground, height, dz, 0.05) for dz in (0.002, 0.001)]
        coarse, finer = (np.interp(x, got[0], got[1][target]) for got in found)
        theirs = 2 * finer - coarse
        inside = (x >= 6) & (x <= LENGTH - 6)
        apart = float(np.abs(ours - theirs)[inside].max())
        level = 2 * found[1][2] - found[0][2]
        worst, worst_level = max(worst, apart), max(worst_level, abs(field.standing_level_db - level))
        rows.append(
            [
                f"{name} at {height} m, {words}",
                target,
                f"{np.abs(ours - coarse)[inside].max():.3f}",
                f"{np.abs(ours - finer)[inside].max():.3f}",
                f"{apart:.3f}",
                f"{field.standing_level_db:.2f} / {level:.2f}",
            ]
        )
        axes.plot(x, ours, "k-", lw=2, label="shift map, sine transform")
        axes.plot(x, theirs, "r--", lw=1.2, label="staircase, finite differences")
        axes.axhline(0.2, color="grey", lw=0.6)
        axes.set(title=f"{name} at {height} m over {words}: {target}", ylabel="modulation")
        axes.legend(fontsize=7)
    section.table(["case", "target", "apart, 2 mm", "apart, 1 mm", "apart, extrapolated", "standing level, dB"], rows)
    section.picture(folder, "second_solver.png", figure, "Modulation along the beam line by two solvers")
    section.check("modulation", worst, 0.05, "", "finite differences, staircase, extrapolated")
    section.check("standing level", worst_level, 0.5, "dB", "the same")
    return section
