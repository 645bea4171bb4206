"""What must hold whatever the ground: overlap, reciprocity, grid, precision."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from geotools.beam import HEAD_TYPES, TARGETS, Beam, solve_beam, solve_beams
from tests.evidence.grounds import GROUNDS, HEADS, LENGTH, X
from tests.evidence.page import Section


def invariants(folder: Path) -> Section:
    section = Section("Overlap, reciprocity, grid, precision")
    section.say(
        "Over every ground and pair of heads below, all targets of the catalogue. Overlap: spread of |S| along "
        "the beam. Reciprocity: heads of 0.91 and 1.40 m swapped over the reversed ground. Grid: both steps halved, "
        "the ground sampled anew. Precision: many beams at once in single precision against one at a time in double."
    )
    section.say(
        "Overlap and reciprocity hold by the way the solver is built: every step is symmetric, so that both hold to "
        "the last digits even over a wrong ground (tested with the phase of every slope turned about). They show that "
        "nothing was lost in the sums, not that the terrain is right; for that see the exact wedge and cylinder, "
        "the second solver and the field in three dimensions."
    )
    rows = []
    worst = dict.fromkeys(("overlap", "swap", "grid", "hanging", "precision"), 0.0)
    fine_x = np.linspace(0.0, LENGTH, 401)
    for words, ground in GROUNDS.items():
        h, fine_h = ground(X), ground(fine_x)
        one = solve_beam(HEAD_TYPES["10 GHz"], X, h, 0.91, 1.4)
        back = solve_beam(HEAD_TYPES["10 GHz"], X, h[::-1], 1.4, 0.91)
        swap = max(float(np.abs(one.modulation(t) - back.modulation(t)[::-1]).max()) for t in TARGETS.values())
        overlap = grid = hanging = precision = 0.0
        for name, height in HEADS:
            field = solve_beam(HEAD_TYPES[name], X, h, height, height)
            size = np.abs(field.overlap)
            overlap = max(overlap, float(np.ptp(size) / size.mean()))
            fine = solve_beam(HEAD_TYPES[name], fine_x, fine_h, height, height, step_m=0.25, dz_m=field.dz_m / 2)
            (single,) = solve_beams([Beam(HEAD_TYPES[name], X, h, height, height)])
            for t in TARGETS.values():
                m = field.modulation(t)
                moved = float(np.abs(m - fine.modulation(t)[::2]).max())
                # feet in the air end where the field changes fastest: such a body has an error of its own
                grid, hanging = (max(grid, moved), hanging) if t.base_m == 0.0 else (grid, max(hanging, moved))
                precision = max(precision, float(np.abs(m - single.modulation(t)).max()))
        for key, value in (
            ("overlap", overlap),
            ("swap", swap),
            ("grid", grid),
            ("hanging", hanging),
            ("precision", precision),
        ):
            worst[key] = max(worst[key], value)
        rows.append([words, f"{overlap:.1e}", f"{swap:.1e}", f"{grid:.4f}", f"{hanging:.4f}", f"{precision:.1e}"])
    section.table(["ground", "overlap", "swapped heads", "grid halved", "feet in the air", "single precision"], rows)
    section.check("overlap along the beam", 100 * worst["overlap"], 0.1, "%", "by construction")
    section.check("swapped heads, modulation", worst["swap"], 1e-6, "", "by construction")
    section.check("both steps halved, modulation of bodies on the ground", worst["grid"], 0.02, "", "convergence")
    # tests/beam/test_solver.py holds the same: over a crest that the beam grazes such a body moves by more
    section.check("both steps halved, feet in the air", worst["hanging"], 0.025, "", "convergence")
    section.check("single precision, modulation", worst["precision"], 1e-3, "", "double precision")
    return section
