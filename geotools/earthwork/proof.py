"""Grade, prove, tighten, grade again: until the detection model agrees or no tolerance is left to take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.earthwork.programme import Cells, Grading, GradingRules, SightLine, grade

__all__ = ["Proof", "ProvenGrading", "grade_until_proven", "spread"]


@dataclass(frozen=True)
class Proof:
    """What the detection model says of one zone on one surface.

    chainage : (n,) stations. dead : (n,) True where somebody gets through. hopeless : (n,) True where they would on
    straight ground too, so that no grading helps.
    """

    chainage: np.ndarray
    dead: np.ndarray
    hopeless: np.ndarray


@dataclass(frozen=True)
class ProvenGrading:
    """The last surface and what the model said of it. proven : every zone clear but for its hopeless stations."""

    grading: Grading
    proofs: list[Proof]
    proven: bool
    rounds: int
    reason: str


def spread(chainage: np.ndarray, flags: np.ndarray, reach: float) -> np.ndarray:
    """Widen flags along the line: True within `reach` metres of any flagged station."""
    hit = chainage[flags]
    if not len(hit):
        return np.zeros(len(chainage), bool)
    at = np.clip(np.searchsorted(hit, chainage), 0, len(hit) - 1)
    before = np.clip(at - 1, 0, len(hit) - 1)
    return np.minimum(np.abs(hit[at] - chainage), np.abs(hit[before] - chainage)) <= reach


def grade_until_proven(
    cells: Cells,
    lines: Sequence[SightLine],
    lengths: Sequence[float],
    rules: GradingRules,
    prove: Callable[[np.ndarray, np.ndarray], list[Proof]],
    *,
    tolerance: float,
    first: Sequence[Proof],
    reach: float = 6.0,
    smallest: float = 0.01,
    max_rounds: int = 8,
) -> ProvenGrading:
    """Ask for straight ground only where the model finds somebody getting through, and tighten only there.

    Parameters
    ----------
    cells, lines, rules : as for `grade`; the lines' own `low` and `high` are what holds where the model has no
    complaint
        (ground that is no worse than today may be kept so: inf below, today's height above).
    lengths : metres from end to end of each line.
    prove : called with the design levels (n,) and the line ends (k, 2), gives one Proof per line.
    tolerance : metres below and above the line asked for at first. first : what the model says of the ground today.
    reach : metres on both sides of a failing station where the ground is held too; the field there comes past them.
    smallest : metres; a station that fails at this tolerance cannot be mended by grading.
    """
    asked = [np.where(spread(p.chainage, p.dead & ~p.hopeless, reach), tolerance, np.inf) for p in first]
    reason = ""
    for round_ in range(1, max_rounds + 1):
        tight = []
        for line, length, proof, tol in zip(lines, lengths, first, asked, strict=True):
            at = np.interp(line.fraction * length, proof.chainage, np.arange(len(tol)))
            mine = np.minimum(tol[np.floor(at).astype(int)], tol[np.ceil(at).astype(int)])
            tight.append(replace(line, low=np.minimum(line.low, mine), high=np.minimum(line.high, mine)))
        grading = grade(cells, tight, rules)
        proofs = prove(grading.design, grading.ends)
        open_ = [p.dead & ~p.hopeless for p in proofs]
        if not any(o.any() for o in open_):
            return ProvenGrading(grading, proofs, True, round_, "clear by a new run of the model on the design surface")
        changed = False
        for j, (proof, fails) in enumerate(zip(proofs, open_, strict=True)):
            near = spread(proof.chainage, fails, reach)
            tighter = np.where(np.isinf(asked[j]), tolerance, np.maximum(asked[j] / 2, smallest))
            new = np.where(near, np.minimum(asked[j], tighter), asked[j])
            changed |= bool((new < asked[j]).any())
            asked[j] = new
        line, proof, fails = next((a, b, c) for a, b, c in zip(lines, proofs, open_, strict=True) if c.any())
        reason = (
            f"{line.name} still lets somebody through at chainage {proof.chainage[fails][0]:.1f} m "
            f"({fails.mean() * 100:.0f} % of the zone)"
        )
        if not changed:
            return ProvenGrading(
                grading, proofs, False, round_, f"{reason} with ground straight to {smallest * 100:.0f} cm"
            )
    return ProvenGrading(grading, proofs, False, max_rounds, f"{reason} after {max_rounds} rounds")
