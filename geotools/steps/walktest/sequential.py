"""Sequential walk tests: how many crossings demonstrate detection when the crew may stop as soon as it is decided.

Deciding after every crossing whether a fixed number of trials has been reached for the misses so far claims more than
was shown: each look is another chance to be lucky. Here the chance of being accepted at any of the looks, with a
detection probability just at the one required, stays within 1 - confidence; each further miss that the plan allows for
gets an equal share of it (a choice of this toolkit). With no miss allowed the plan is the success-run test.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from geotools.errors import NumericInputError

__all__ = ["acceptance_numbers", "further_crossings"]


@lru_cache
def acceptance_numbers(probability: float, confidence: float, failures: int) -> tuple[int, ...]:
    """Crossings after which detection is demonstrated although at most 0, 1, ... of them were missed.

    Parameters
    ----------
    probability : float
        Detection probability to demonstrate, between 0 and 1.
    confidence : float
        At which, between 0 and 1.
    failures : int
        Misses that the plan allows for; one more ends the test.

    Returns
    -------
    tuple of int
        Of length failures + 1, rising. Raises NumericInputError for values out of range.
    """
    if not (0.0 < probability < 1.0 and 0.0 < confidence < 1.0) or failures < 0:
        raise NumericInputError(
            "a walk test cannot be planned for these figures",
            found=f"probability {probability}, confidence {confidence}, failures {failures}",
            expected="probability and confidence between 0 and 1, failures 0 or more",
        )
    risk = 1.0 - confidence
    numbers: list[int] = []
    spent, walked = 0.0, 0
    # chance of each number of misses among tests that were not accepted yet, with detection just at the probability
    since = np.arange(failures + 1)
    misses = np.zeros(failures + 1)
    misses[0] = 1.0
    for allowed in range(failures + 1):
        share = risk * (allowed + 1) / (failures + 1) - spent
        # who had fewer misses was accepted before, so that all since the last look have to be detected
        chance = float(misses[allowed])
        more = max(math.ceil(math.log(share / chance) / math.log(probability) - 1e-9), 1)
        walked += more
        spent += chance * probability**more
        numbers.append(walked)
        spread = special.binom(more, since) * (1.0 - probability) ** since * probability ** np.maximum(more - since, 0)
        misses = np.convolve(misses, spread)[: failures + 1]
        misses[: allowed + 1] = 0.0
    return tuple(numbers)


def further_crossings(detected: int, walked: int, numbers: tuple[int, ...]) -> int | None:
    """Crossings still to be walked, all detected, until the plan is met; None where it allows for no such misses."""
    missed = walked - detected
    return None if missed >= len(numbers) else max(numbers[missed] - walked, 0)
