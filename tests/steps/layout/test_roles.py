"""Like beside like: counted by hand and against every possible choice."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.steps.layout.roles import alternate_roles, mixed_junctions


def mixed_by_hand(starts, closed):
    """End of one and start of the next differ in role."""
    pairs = itertools.pairwise([*starts, starts[0]] if closed else starts)
    return sum((not a) != b for a, b in pairs)


@pytest.mark.parametrize("count", range(2, 8))
@pytest.mark.parametrize("closed", [True, False])
def test_fewest_mixed_junctions_of_all_choices(count, closed):
    best = min(mixed_by_hand(choice, closed) for choice in itertools.product([True, False], repeat=count))
    found = alternate_roles(count, closed=closed)
    assert mixed_by_hand(found.tolist(), closed) == best == (1 if closed and count % 2 else 0)
    assert mixed_junctions(found, closed=closed).size == best


def test_the_unavoidable_junction_is_where_it_does_least_harm():
    margin = np.full((5, 2), -20.0)
    margin[3, 1] = 4.0
    margin[1, 0] = 3.0
    roles = alternate_roles(5, closed=True, margin_db=margin)
    assert mixed_junctions(roles, closed=True).tolist() == [3]
    assert roles[3]
    margin[1, 0] = 5.0
    roles = alternate_roles(5, closed=True, margin_db=margin)
    assert mixed_junctions(roles, closed=True).tolist() == [1]
    assert not roles[1]


def test_margins_of_another_chain_are_refused():
    with pytest.raises(NumericInputError, match="chain"):
        alternate_roles(3, closed=True, margin_db=np.zeros((4, 2)))
