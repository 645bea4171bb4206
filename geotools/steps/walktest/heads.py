"""Law, threshold and head heights of the receivers, fitted together from what a walk test found. Arrays in and out.

A crossing is detected with the chance ``1 / (1 + exp(-(ln m - ln m0) / spread))``, m its prediction with the heads as
they are taken to hang. Heads hang as stated within their mounting tolerance, but mistakes happen: their offsets have
Student's t distribution with four degrees of freedom about nothing, of the tolerance's standard deviation (heavy tails
as in K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Stat. Assoc. 84, 1989, from memory; a choice of this
toolkit). The most likely values of all together are sought; a head is named only where holding it at its stated
height, everything else fitted anew, makes the results and the mounting twenty times less likely.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy import optimize, special

__all__ = ["DECISIVE", "REACH_M", "HeadFit", "HeadOffset", "WalkedPairs", "fit_heads", "moves_tried"]

Floats = NDArray[np.float64]
Head = tuple[str, int, int]
"""Zone, pair, and 0 for its transmitter or 1 for its receiver."""

#: By how much the logarithm of the likelihood has to be larger for a thing to be named: odds of 20 to 1.
DECISIVE = float(np.log(20.0))
#: Offsets looked at, m either way: more than that is seen by eye.
REACH_M = 0.15
#: Heights at which the field is solved; between them its polynomial is taken.
_NODES = 7
_DEGREES = 4.0
#: Spread of a receiver's threshold, in natural logarithms: how much it is taken to be, and how far off by a factor.
_SPREAD, _SPREAD_SD = 0.15, 0.7
_FAINTEST = 1e-3
#: Derivative of each Chebyshev polynomial, a column each, by the polynomials.
_SLOPES = np.vstack([chebyshev.chebder(np.eye(_NODES)), np.zeros((1, _NODES))])
#: A head this far off, in standard deviations of its mounting, is asked about.
_WORTH_ASKING = 1.0


def moves_tried(reach_m: float = REACH_M) -> Floats:
    """Moves of heads at which the field is to be solved, (k,) m: Chebyshev nodes."""
    return np.asarray(reach_m * chebyshev.chebpts1(_NODES))


@dataclass(frozen=True)
class WalkedPairs:
    """What was walked in one zone: (m,) results, and predictions of every pair of heads at the moves tried.

    zone_id : str. prediction : (pairs, k, k, m), by the transmitter's move and the receiver's. detected : (m,) bool.
    """

    zone_id: str
    prediction: Floats
    detected: NDArray[np.bool_]


@dataclass(frozen=True)
class HeadOffset:
    """How far a head hangs off its stated height.

    Attributes
    ----------
    head : Head
        Which.
    offset_m, half_m : float
        Most likely offset, and half the width of its 95 % range, m.
    state : {"agrees", "off", "not separated", "not shown"}
        ``off`` where the walk shows it, ``not separated`` where it shows that this head or the other of its pair is
        off and not which, ``not shown`` where no offset within reach would have shown.
    odds : float
        Logarithm of how much less likely everything is with the head as stated.
    would_show_m : float
        Smallest offset that the results would have shown, upward as downward, were all else as it is, m; infinite
        where none.
    """

    head: Head
    offset_m: float
    half_m: float
    state: Literal["agrees", "off", "not separated", "not shown"]
    odds: float
    would_show_m: float


@dataclass(frozen=True)
class HeadFit:
    """Threshold and heads fitted together under one law.

    m0, low, high : threshold and its 95 % range. spread : of the threshold, natural logarithm. heads : every head.
    value : logarithm of likelihood and mounting together at the best. gained : how much the offsets add to it.
    """

    m0: float
    low: float
    high: float
    spread: float
    heads: tuple[HeadOffset, ...]
    value: float
    gained: float


class _Walk:
    """All zones' results with the polynomials of their predictions."""

    def __init__(self, zones: Sequence[WalkedPairs], sigma_m: float, reach_m: float) -> None:
        inverse = np.linalg.inv(chebyshev.chebvander(chebyshev.chebpts1(_NODES), _NODES - 1))
        self.zones, self.sigma_m, self.reach_m = zones, sigma_m, reach_m
        self.signs = [np.where(zone.detected, 1.0, -1.0) for zone in zones]
        self.terms = [np.einsum("ia,jb,pabm->pijm", inverse, inverse, zone.prediction) for zone in zones]
        self.heads: list[Head] = [
            (zone.zone_id, pair, end) for zone in zones for pair in range(len(zone.prediction)) for end in (0, 1)
        ]
        self.starts = np.concatenate([[0], np.cumsum([2 * len(zone.prediction) for zone in zones])])

    def eta(self, number: int, x: Floats) -> tuple[Floats, Floats]:
        """Logarithm of prediction over threshold, in spreads, (m,); and its derivatives by all numbers, (m, n)."""
        offsets = x[2 + self.starts[number] : 2 + self.starts[number + 1]].reshape(-1, 2) / self.reach_m
        spread = float(np.exp(x[1]))
        terms = self.terms[number]
        value = chebyshev.chebvander(offsets, _NODES - 1)
        slope = value @ _SLOPES
        of_pair = np.einsum("pi,pijm,pj->pm", value[:, 0], terms, value[:, 1])
        best = of_pair.argmax(axis=0)
        m = of_pair[best, np.arange(best.size)]
        free = m > _FAINTEST
        by = np.zeros((best.size, x.size))
        for pair in range(len(of_pair)):
            mine = free & (best == pair)
            where = 2 + self.starts[number] + 2 * pair
            tx = np.einsum("i,ijm,j->m", slope[pair, 0], terms[pair][..., mine], value[pair, 1])
            rx = np.einsum("i,ijm,j->m", value[pair, 0], terms[pair][..., mine], slope[pair, 1])
            by[mine, where] = tx / (m[mine] * self.reach_m * spread)
            by[mine, where + 1] = rx / (m[mine] * self.reach_m * spread)
        eta = (np.log(np.maximum(m, _FAINTEST)) - x[0]) / spread
        by[:, 0] = -1.0 / spread
        by[:, 1] = -eta
        return eta, by

    def loss(self, x: Floats) -> tuple[float, Floats]:
        """Minus the logarithm of likelihood and mounting, and its gradient."""
        off = x[2:] / self.sigma_m
        total = 0.5 * (_DEGREES + 1.0) * float(np.log1p(off**2 / _DEGREES).sum())
        gradient = np.zeros(x.size)
        gradient[2:] = (_DEGREES + 1.0) * off / (_DEGREES + off**2) / self.sigma_m
        far = (x[1] - np.log(_SPREAD)) / _SPREAD_SD
        total += 0.5 * far**2
        gradient[1] += far / _SPREAD_SD
        for number, sign in enumerate(self.signs):
            eta, by = self.eta(number, x)
            total -= float(special.log_expit(sign * eta).sum())
            gradient -= (sign * special.expit(-sign * eta)) @ by
        return total, gradient

    def misfit(self, x: Floats, number: int) -> float:
        """Minus the logarithm of one zone's likelihood."""
        return -float(special.log_expit(self.signs[number] * self.eta(number, x)[0]).sum())

    def information(self, x: Floats) -> Floats:
        """Expected information on all numbers, (n, n), that of the mounting among it."""
        off = x[2:] / self.sigma_m
        found = np.zeros((x.size, x.size))
        found[1, 1] = 1.0 / _SPREAD_SD**2
        found[2:, 2:] = np.diag((_DEGREES + 1.0) / (_DEGREES + off**2) / self.sigma_m**2)
        for number in range(len(self.zones)):
            eta, by = self.eta(number, x)
            chance = special.expit(eta)
            found += (by * (chance * (1.0 - chance))[:, None]).T @ by
        return found


def _fitted(walk: _Walk, start: Floats, held: Collection[int] = ()) -> tuple[float, Floats]:
    """The best numbers from a start, and the loss there; heads ``held`` stay as stated."""
    bounds: list[tuple[float, float]] = [(np.log(1e-3), np.log(5.0)), (np.log(0.02), np.log(2.0))]
    bounds += [(0.0, 0.0) if place in held else (-walk.reach_m, walk.reach_m) for place in range(len(walk.heads))]
    low, high = np.array(bounds).T
    found = optimize.minimize(walk.loss, np.clip(start, low, high), jac=True, method="L-BFGS-B", bounds=bounds)
    return float(found.fun), np.asarray(found.x)


def _best(walk: _Walk) -> tuple[float, Floats]:
    """The best numbers from many starts: a prediction may rise and fall with a head's height."""
    tried = []
    for common in (0.0, -0.4 * walk.reach_m, 0.4 * walk.reach_m):
        x = np.concatenate([[0.0, np.log(_SPREAD)], np.full(len(walk.heads), common)])
        x[0] = min(np.linspace(np.log(0.02), np.log(1.0), 24), key=lambda u: walk.loss(np.r_[u, x[1:]])[0])
        tried.append(_fitted(walk, x))
    best = min(tried, key=lambda one: one[0])
    for number in range(len(walk.zones)):
        for first in range(walk.starts[number], walk.starts[number + 1], 2):
            for move in (-0.6 * walk.reach_m, -0.3 * walk.reach_m, 0.3 * walk.reach_m, 0.6 * walk.reach_m):
                x = best[1].copy()
                x[2 + first : 4 + first] = move
                # a worse place to start from may lie in a better valley, but not in one this much higher
                if walk.loss(x)[0] < best[0] + 8.0:
                    best = min(best, _fitted(walk, x), key=lambda one: one[0])
    return best


def fit_heads(zones: Sequence[WalkedPairs], sigma_m: float, reach_m: float = REACH_M) -> HeadFit:
    """Fit threshold and head heights together under the law of the predictions.

    Parameters
    ----------
    zones : sequence of WalkedPairs
        Results and predictions at :func:`moves_tried`.
    sigma_m : float
        Standard deviation of a head's height as mounted, m.
    reach_m : float
        As of :func:`moves_tried`.
    """
    walk = _Walk(zones, sigma_m, reach_m)
    value, x = _best(walk)
    plain, _ = _fitted(walk, np.concatenate([x[:2], np.zeros(len(walk.heads))]), range(len(walk.heads)))
    deviation = np.sqrt(np.diag(np.linalg.inv(walk.information(x))))
    names: Mapping[int, Head] = dict(enumerate(walk.heads))
    pair_odds: dict[tuple[str, int], float] = {}
    odds = dict.fromkeys(names, 0.0)
    for place, (zone_id, pair, end) in names.items():
        if end == 0 and np.abs(x[2 + place : 4 + place]).max() > _WORTH_ASKING * sigma_m:
            pair_odds[zone_id, pair] = _fitted(walk, x, (place, place + 1))[0] - value
    for place, (zone_id, pair, _) in names.items():
        if pair_odds.get((zone_id, pair), 0.0) > DECISIVE:
            odds[place] = max(_fitted(walk, x, (place,))[0] - value, 0.0)
    heads = []
    for place, head in names.items():
        shows = _would_show(walk, x, place)
        state: Literal["agrees", "off", "not separated", "not shown"] = "agrees"
        partner = odds[place + 1 if head[2] == 0 else place - 1]
        if odds[place] > DECISIVE:
            state = "off"
        elif pair_odds.get(head[:2], 0.0) > DECISIVE and partner <= DECISIVE:
            state = "not separated"
        elif not np.isfinite(shows):
            state = "not shown"
        offset, half = float(x[2 + place]), float(1.96 * deviation[2 + place])
        heads.append(HeadOffset(head, offset, half, state, float(odds[place]), shows))
    half = 1.96 * float(deviation[0])
    m0, low, high = (float(np.exp(x[0] + part)) for part in (0.0, -half, half))
    return HeadFit(m0, low, high, float(np.exp(x[1])), tuple(heads), -value, plain - value)


def _would_show(walk: _Walk, x: Floats, place: int) -> float:
    """Smallest offset of a head, up and down, from where it is taken to hang that the results speak against, m."""
    number = int(np.searchsorted(walk.starts, place, side="right")) - 1
    here = walk.misfit(x, number)
    for step in (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.1, 0.12):
        if step > walk.reach_m - abs(x[2 + place]):
            break
        losses = []
        for way in (-step, step):
            tried = x.copy()
            tried[2 + place] += way
            losses.append(walk.misfit(tried, number) - here)
        if min(losses) > DECISIVE:
            return step
    return float("inf")
