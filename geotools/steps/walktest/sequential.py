"""Sequential walk tests: how many crossings decide whether a zone detects, when the crew stops as soon as they do.

Deciding after every crossing whether a fixed number of trials has been reached for the misses so far claims more than
was shown: each look is another chance to be lucky. Wald's sequential probability ratio test may be looked at after
every crossing. It weighs how likely the results are in a zone that just should not pass (detection at the probability
to show) against a good one (`good`), and of all tests with the same errors it takes the fewest crossings on average.

Sources: A. Wald, "Sequential tests of statistical hypotheses", Annals of Mathematical Statistics 16 (1945), 117-186;
that it takes the fewest: A. Wald and J. Wolfowitz, the same 19 (1948), 326-339 (both from memory). The boundaries are
the bounds of his inequality, 1 / risk, so that neither error is exceeded. Ending the test at one miss more than
`failures` can only lower the chance of being accepted. With no miss allowed a good zone misses nothing, and the test
is the success run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geotools.errors import NumericInputError

__all__ = ["SequentialPlan"]

#: Misses of a good zone, as a share of those that one at the probability to show has (a choice of this toolkit).
_GOOD_SHARE = 0.1
_ROUNDING = 1e-9


@dataclass(frozen=True)
class SequentialPlan:
    """When a walk test of one zone and threat is decided.

    Parameters
    ----------
    probability : float
        Detection probability to show, between 0 and 1.
    confidence : float
        At which, between 0 and 1.
    failures : int
        Misses that the plan allows for; one more ends the test.

    Raises
    ------
    NumericInputError
        For values out of range.
    """

    probability: float
    confidence: float
    failures: int

    def __post_init__(self) -> None:
        if not (0.0 < self.probability < 1.0 and 0.0 < self.confidence < 1.0) or self.failures < 0:
            raise NumericInputError(
                "a walk test cannot be planned for these figures",
                found=f"probability {self.probability}, confidence {self.confidence}, failures {self.failures}",
                expected="probability and confidence between 0 and 1, failures 0 or more",
            )

    @property
    def good(self) -> float:
        """Detection probability of a zone that should pass."""
        return 1.0 - _GOOD_SHARE * (1.0 - self.probability)

    @cached_property
    def _weights(self) -> tuple[float, float, float]:
        """Logarithms: what a detection adds, what a miss takes, what decides."""
        decides = math.log(1.0 / (1.0 - self.confidence))
        if self.failures == 0:
            return -math.log(self.probability), math.inf, decides
        return math.log(self.good / self.probability), -math.log(_GOOD_SHARE), decides

    @cached_property
    def numbers(self) -> tuple[int, ...]:
        """Crossings after which detection is shown although 0, 1, ... of them were missed; (failures + 1,), rising."""
        gain, loss, decides = self._weights
        return tuple(
            k + max(math.ceil((decides + (k * loss if k else 0.0)) / gain - _ROUNDING), 1)
            for k in range(self.failures + 1)
        )

    @property
    def most(self) -> int:
        """Crossings that decide it in any case."""
        return self.numbers[-1]

    @cached_property
    def early(self) -> tuple[int, ...]:
        """Crossings within which 0, 1, ... misses end the test, for a good zone would hardly have them so soon."""
        gain, loss, decides = self._weights
        return tuple(
            k + math.floor((k * loss - decides) / gain + _ROUNDING) if k else -1 for k in range(self.failures + 1)
        )

    def ended(self, walked: int, missed: int) -> bool:
        """Whether the test is lost: more misses than are allowed for, or so many so soon."""
        return missed > self.failures or walked <= self.early[missed]

    def further(self, walked: int, missed: int) -> int | None:
        """Crossings still to be walked, all detected, until detection is shown; None where the test is lost."""
        return None if self.ended(walked, missed) else max(self.numbers[missed] - walked, 0)

    def decided(self, walked: int, missed: int) -> bool:
        """Whether the crew may stop."""
        return self.further(walked, missed) in (0, None)

    def going_on(self, detected: float) -> tuple[NDArray[np.float64], float]:
        """What becomes of tests of a zone that detects each crossing with one and the same probability.

        Returns
        -------
        (most,) chance that the test still goes on after 0, 1, ... crossings, whose sum is the mean number of crossings;
        and the chance that detection is shown in the end. Exact, by following every number of misses.
        """
        misses = np.zeros(self.failures + 1)
        misses[0] = 1.0
        still, shown = np.empty(self.most), 0.0
        for walked in range(1, self.most + 1):
            still[walked - 1] = misses.sum()
            misses = misses * detected + np.append(0.0, misses[:-1]) * (1.0 - detected)
            for missed in np.flatnonzero(misses):
                if self.decided(walked, int(missed)):
                    shown += float(misses[missed]) if self.further(walked, int(missed)) == 0 else 0.0
                    misses[missed] = 0.0
        return still, shown
