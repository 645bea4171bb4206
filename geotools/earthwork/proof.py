"""Grade, run the model, tighten, grade again: until the model agrees or no tolerance is left to take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.earthwork.limits import SightLine
from geotools.earthwork.programme import Grading
from geotools.errors import InfeasibleError, place_words

#: Below this nothing is moved, metres: a survey does not see it and no machine makes it (common practice, no source).
LEAST_M = 0.005

#: Places this near to a post are a head's own surroundings, metres.
_BESIDE_M = 10.0
#: Rounds in which the heads may use all their reach.
_TRUST_ENDS = 3
#: Times that a closer tolerance without a surface is met halfway.
_HALVES = 2
#: What is dearer than required by so much is not made cheap enough by refining.
_REFINED = 1.25
#: Rounds in which water may ask for more falls.
_WET_ROUNDS = 2

__all__ = ["LEAST_M", "CheckedGrading", "Proof", "Search", "grade_until_clear", "spread", "tightened"]


@dataclass(frozen=True)
class Proof:
    """What the detection model says of one zone on one surface.

    chainage : (n,) stations. dead : (n,) True where somebody gets through. hopeless : (n,) True where they would on
    straight ground too, so that no grading helps.
    """

    chainage: np.ndarray
    dead: np.ndarray
    hopeless: np.ndarray

    @property
    def open(self) -> np.ndarray:
        """(n,) stations that grading has to close."""
        return self.dead & ~self.hopeless


@dataclass(frozen=True)
class CheckedGrading:
    """The last surface and what the model said of it.

    clear : every zone clear but for its hopeless stations. unfit : why nothing closer was found, where that was tried.
    """

    grading: Grading
    proofs: list[Proof]
    clear: bool
    rounds: int
    reason: str
    unfit: InfeasibleError | None = None


@dataclass(frozen=True)
class Search:
    """How tolerances are searched.

    tolerance : metres below and above the line requested at first. reach : metres on both sides of a failing station
    where the ground is held too in the first round. smallest : the tolerance is not made smaller than this, metres.
    refine : trials that look for a cheaper surface once one is clear.
    most : price from which on nobody wants the surface: one that is not clear at that price is not tightened further.
    """

    tolerance: float
    reach: float = 6.0
    smallest: float = 0.01
    max_rounds: int = 10
    refine: int = 2
    most: float = np.inf


def spread(chainage: np.ndarray, flags: np.ndarray, reach: float) -> np.ndarray:
    """Widen flags along the line: True within `reach` metres of any flagged station."""
    hit = chainage[flags]
    if not len(hit):
        return np.zeros(len(chainage), bool)
    at = np.clip(np.searchsorted(hit, chainage), 0, len(hit) - 1)
    before = np.clip(at - 1, 0, len(hit) - 1)
    return np.minimum(np.abs(hit[at] - chainage), np.abs(hit[before] - chainage)) <= reach


def grade_until_clear(
    lines: Sequence[SightLine],
    lengths: Sequence[float],
    solve: Callable[[Sequence[SightLine]], Grading],
    prove: Callable[[Grading], list[Proof]],
    first: Sequence[Proof],
    search: Search,
    dry: Callable[[Grading], bool] = lambda grading: True,
) -> CheckedGrading:
    """Ask for straight ground only where the model finds somebody getting through, and tighten only there.

    Each round halves the tolerance around the failing stations and looks twice as far to both sides, for a crest throws
    its shadow far behind it; from the third on a head that blinds its own surroundings is brought back towards today's
    height. Once the model agrees, the step between the last tolerances that failed and those that held is halved
    `refine` times, and the cheapest surface that the model agreed with is kept. Where the first tolerance leaves no
    surface, twice and four times as much is tried: the model may be content with it.

    Parameters
    ----------
    lines : the lines' own `low` and `high` are what holds where the model has no complaint: ground that is no worse
        than today may stay so (inf below, today's height above). lengths : metres from end to end of each line.
    solve : the cheapest grading for lines. prove : what the model says of it, one Proof per line.
    first : what the model says of the ground today. search : tolerances and rounds.
    dry : False where water stands on the grading and `solve` has learnt of it, so that another solve is worth it.

    Raises
    ------
    InfeasibleError : even four times the first tolerance leaves no surface; of the limits at the first tolerance. In
        later rounds the last surface is handed back with it.
    """
    wet = 0

    def attempt(asked: Sequence[np.ndarray]) -> tuple[Grading, list[Proof]]:
        nonlocal wet
        told = tightened(lines, lengths, first, asked)
        made = solve(told)
        proofs = prove(made)
        while wet < _WET_ROUNDS and not any(p.open.any() for p in proofs) and not dry(made):
            wet += 1
            made = solve(told)
            proofs = prove(made)
        return made, proofs

    halves = 0
    held = [np.full(len(p.chainage), np.inf) for p in first]
    asked = _tighter(held, first, search.tolerance, search.tolerance, search.reach)
    best, asked = _first_surface(attempt, asked)
    for round_ in range(1, search.max_rounds + 1):
        try:
            best = attempt(asked) if round_ > 1 else best
        except InfeasibleError as problem:
            if halves < _HALVES:
                halves += 1
                asked = _between(held, asked, search.tolerance)
                continue
            return CheckedGrading(*best, False, round_, _complaint(lines, best[1]), problem)
        if not any(p.open.any() for p in best[1]):
            if best[0].cost >= search.most * _REFINED:
                return CheckedGrading(*best, True, round_, "clear in a re-run of the model on the design surface")
            best = _refined(attempt, best, held, asked, search)
            return CheckedGrading(*best, True, round_, "clear in a re-run of the model on the design surface")
        if best[0].cost >= search.most:
            return CheckedGrading(*best, False, round_, f"{_complaint(lines, best[1])}, and dearer than another way")
        tighter = _tighter(asked, best[1], search.tolerance, search.smallest, search.reach * 2**round_)
        stuck = all((new == old).all() for new, old in zip(tighter, asked, strict=True))
        if stuck or round_ >= _TRUST_ENDS:
            closer = [_nearer(*each, everywhere=stuck) for each in zip(lines, lengths, best[1], strict=True)]
            stuck = stuck and closer == list(lines)
            lines = closer
        if stuck:
            reason = f"{_complaint(lines, best[1])} with the ground straight to {search.smallest * 100:.0f} cm"
            return CheckedGrading(*best, False, round_, reason)
        held, asked = asked, tighter
    return CheckedGrading(
        *best, False, search.max_rounds, f"{_complaint(lines, best[1])} after {search.max_rounds} rounds"
    )


Attempt = Callable[[Sequence[np.ndarray]], tuple[Grading, list[Proof]]]


def _refined(
    attempt: Attempt,
    best: tuple[Grading, list[Proof]],
    held: Sequence[np.ndarray],
    asked: Sequence[np.ndarray],
    search: Search,
) -> tuple[Grading, list[Proof]]:
    """The cheapest surface that is clear between tolerances that failed (held) and those that did not (required)."""
    for _ in range(search.refine):
        middle = _between(held, asked, search.tolerance)
        try:
            trial = attempt(middle)
        except InfeasibleError:
            return best
        if any(p.open.any() for p in trial[1]):
            held = middle
        else:
            asked = middle
            best = min(best, trial, key=lambda made: made[0].cost)
    return best


def _between(held: Sequence[np.ndarray], asked: Sequence[np.ndarray], tolerance: float) -> list[np.ndarray]:
    """Tolerances halfway between two; where the wider requires nothing, twice the first tolerance stands for it."""
    middle = [(np.where(np.isinf(h), 2 * tolerance, h) + a) / 2 for h, a in zip(held, asked, strict=True)]
    return [np.where(np.isinf(a), a, m) for a, m in zip(asked, middle, strict=True)]


def _first_surface(attempt: Attempt, asked: list[np.ndarray]) -> tuple[tuple[Grading, list[Proof]], list[np.ndarray]]:
    """The surface of the first tolerances that leave one, and those tolerances."""
    try:
        return attempt(asked), asked
    except InfeasibleError as problem:
        for more in (2.0, 4.0):
            looser = [more * tol for tol in asked]
            try:
                return attempt(looser), looser
            except InfeasibleError:
                continue
        raise problem


def _nearer(line: SightLine, length: float, proof: Proof, *, everywhere: bool) -> SightLine:
    """The line with an end allowed half as far from today's level where the model complains beside that end's head.

    A head that was moved far can blind its own surroundings. everywhere : both ends, wherever the complaint lies.
    """
    fails = proof.chainage[proof.open]
    beside = (fails < _BESIDE_M).any(), (fails > length - _BESIDE_M).any()
    reach = []
    for now, (low, high), blind in zip(line.ends, line.reach, beside, strict=True):
        down, up = (now - low) / 2, (high - now) / 2
        if not (blind or (everywhere and len(fails))):
            reach.append((low, high))
        else:
            reach.append((now - down if down > 0.01 else now, now + up if up > 0.01 else now))
    return line if tuple(reach) == line.reach else replace(line, reach=(reach[0], reach[1]))


def _tighter(
    asked: Sequence[np.ndarray], proofs: Sequence[Proof], tolerance: float, smallest: float, reach: float
) -> list[np.ndarray]:
    """Tolerances by station, halved (or begun) within `reach` of the stations that fail."""
    made = []
    for tol, proof in zip(asked, proofs, strict=True):
        near = spread(proof.chainage, proof.open, reach)
        made.append(np.where(near, np.where(np.isinf(tol), tolerance, np.maximum(tol / 2, smallest)), tol))
    return made


def tightened(
    lines: Sequence[SightLine], lengths: Sequence[float], proofs: Sequence[Proof], asked: Sequence[np.ndarray]
) -> list[SightLine]:
    """The lines with the tolerances of their stations taken to the cells under the beam."""
    made = []
    for line, length, proof, tol in zip(lines, lengths, proofs, asked, strict=True):
        at = np.interp(line.fraction * length, proof.chainage, np.arange(len(tol)))
        mine = np.minimum(tol[np.floor(at).astype(int)], tol[np.ceil(at).astype(int)])
        made.append(replace(line, low=np.minimum(line.low, mine), high=np.minimum(line.high, mine)))
    return made


def _complaint(lines: Sequence[SightLine], proofs: Sequence[Proof]) -> str:
    line, proof = next((a, p) for a, p in zip(lines, proofs, strict=True) if p.open.any())
    return (
        f"{line.name} still leaves somebody undetected at {place_words(proof.chainage[proof.open][0])} "
        f"({proof.open.mean() * 100:.0f} % of the zone)"
    )
