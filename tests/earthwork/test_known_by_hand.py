"""When the answer of a programme solved before may be given again, and when not. Nothing is solved.

Red when another question gets the answer of one solved before, or when one is solved again without need.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from geotools.earthwork.known import Known, _more_falls
from geotools.earthwork.limits import Falls
from geotools.earthwork.linear import Answer, UnfitError
from tests.cells_in_a_row import chain, sight

ENDS, LOW, HIGH, WEIGHT = np.array([[10.0, 10.0]]), np.full(6, -1.0), np.full(6, 1.0), np.ones(6)


def falls(*, upper=(3,), lower=(1,), least=(0.1,), crossing=None, prices=()):
    none = [-1] * len(upper) if crossing is None else crossing
    return Falls(np.array(upper), np.array(lower), np.array(least), np.array(none), np.array(prices, float))


class Counted:
    """A programme that counts how often it is solved; its works lift each cell by a tenth of its number."""

    def __init__(self, fell=None, unfit=False, low=0.2, high=0.2, ground=10.0, reach=0.0, cells=6):
        self.cells, self.falls, self.rules, self.unfit, self.times = chain([ground] * 6), fell, "rules", unfit, 0
        self.lines = [sight("A", np.arange(cells), np.zeros(cells), low, high, (10.0, 10.0), ((0.0, reach),) * 2)]

    def solve(self, weight, ends, low, high):
        self.times += 1
        if self.unfit:
            raise UnfitError(lambda: None)
        return Answer(np.arange(6) / 10.0, ends, np.zeros((1, 2)), np.zeros(0, bool))


def asked(known, programme, weight=WEIGHT, ends=ENDS, low=LOW, high=HIGH):
    try:
        return known.solve(programme, weight, ends, low, high)
    except UnfitError:
        return None


OTHERS = {
    "weight": ({}, {"weight": WEIGHT * 2}),
    "ends": ({}, {"ends": ENDS + 0.01}),
    "lowest": ({}, {"low": LOW - 0.01}),
    "highest": ({}, {"high": HIGH + 0.01}),
    "tolerance below": ({"low": 0.21}, {}),
    "tolerance above": ({"high": 0.21}, {}),
    "ground": ({"ground": 10.01}, {}),
    "reach of heads": ({"reach": 0.1}, {}),
    "cells of the line": ({"cells": 5}, {}),
}


@pytest.mark.parametrize("other", OTHERS)
def test_an_answer_is_given_again_for_the_same_question_alone(other):
    known, first = Known(), Counted()
    answer = asked(known, first)
    again = Counted()
    assert asked(known, again) is answer and (first.times, again.times) == (1, 0)
    made, given = OTHERS[other]
    new = Counted(**made)
    assert asked(known, new, **given) is not answer and new.times == 1
    # and that one is known from then on
    assert asked(known, Counted(**made), **given) is not answer and new.times == 1


def test_the_rules_are_part_of_the_question():
    known, one, other = Known(), Counted(), Counted()
    other.rules = "others"
    asked(known, one)
    asked(known, other)
    assert (one.times, other.times) == (1, 1)


@pytest.mark.parametrize(("least", "times"), [(0.1, 0), (0.2, 0), (0.21, 1)])
def test_falls_that_works_keep_by_themselves_cost_no_second_solve(least, times):
    """Cell 3 comes to lie 0.2 m over cell 1."""
    known = Known()
    answer = asked(known, Counted())
    fell = falls(least=(least,), crossing=[1], prices=(40.0, 50.0))
    new = Counted(fell)
    found = asked(known, new)
    assert new.times == times
    if not times:
        assert found.change is answer.change and found.crossings.tolist() == [False, False]
    # what was solved with falls is not the answer without, nor with others
    asked(known, Counted(falls(least=(0.5,))))
    for other in (falls(least=(0.6,)), falls(least=(0.5,), lower=(0,)), falls(least=(0.5,), upper=(4,))):
        new = Counted(other)
        asked(known, new)
        assert new.times == 1
    same = Counted(falls(least=(0.5,)))
    asked(known, same)
    assert same.times == 0
    # no falls at all, stated as none or as an empty list
    empty = Counted(falls(upper=(), lower=(), least=()))
    empty.falls = replace(empty.falls, upper=np.zeros(0, int), lower=np.zeros(0, int))
    assert asked(known, empty) is answer and empty.times == 0


def test_what_was_solved_with_falls_to_keep_is_no_answer_without_them():
    """Whichever of the two was asked first: works without falls may be cheaper."""
    known, fell = Known(), falls(least=(0.5,))
    asked(known, Counted(fell))
    without = Counted()
    asked(known, without)
    assert without.times == 1
    again = Counted(fell)
    asked(known, again)
    assert again.times == 0


NARROWER = {
    "the same": ({}, {}, True),
    "another weight": ({}, {"weight": WEIGHT * 2}, True),
    "lowest higher": ({}, {"low": LOW + 0.1}, True),
    "highest lower": ({}, {"high": HIGH - 0.1}, True),
    "lowest lower": ({}, {"low": LOW - 0.1}, False),
    "highest higher": ({}, {"high": HIGH + 0.1}, False),
    "one cell lower": ({}, {"low": LOW - np.eye(6)[2]}, False),
    "tolerances less": ({"low": 0.1, "high": 0.15}, {}, True),
    "tolerance below more": ({"low": 0.3}, {}, False),
    "tolerance above more": ({"high": 0.3}, {}, False),
    "other ends": ({}, {"ends": ENDS + 1e-3}, False),
    "ends a hair off": ({}, {"ends": ENDS + 1e-9}, True),
    "heads that may move": ({"reach": 0.2}, {}, False),
    "fewer cells of the line": ({"cells": 5}, {}, False),
    "other ground": ({"ground": 10.5}, {}, False),
    "a fall besides": ({"fell": falls()}, {}, True),
}


@pytest.mark.parametrize("case", NARROWER)
def test_what_lies_within_limits_that_nothing_satisfied_is_not_tried(case):
    known = Known()
    assert asked(known, Counted(unfit=True)) is None
    made, given, spared = NARROWER[case]
    new = Counted(**made)
    found = asked(known, new, **given)
    assert (new.times == 0) is spared and (found is None) is spared


def test_more_lines_are_another_question():
    known = Known()
    asked(known, Counted(unfit=True))
    more = Counted()
    more.lines = more.lines * 2
    assert asked(known, more) is not None and more.times == 1


@pytest.mark.parametrize(
    ("new", "old", "within"),
    [
        (None, None, True),
        (falls(), None, True),
        (None, falls(), False),
        (falls(), falls(), True),
        (falls(least=(0.2,)), falls(least=(0.1,)), True),
        (falls(least=(0.05,)), falls(least=(0.1,)), False),
        (falls(upper=(3, 5), lower=(1, 4), least=(0.1, 0.0)), falls(), True),
        (falls(), falls(upper=(3, 5), lower=(1, 4), least=(0.1, 0.0)), False),
        (falls(lower=(2,)), falls(), False),
        # a crossing would take the water instead: the fall need not be kept
        (falls(crossing=[0], prices=(9.0,)), None, False),
        (falls(crossing=[0], prices=(9.0,)), falls(), False),
        (falls(), falls(crossing=[0], prices=(9.0,)), False),
    ],
)
def test_falls_are_narrower_only_where_all_of_the_old_are_among_them(new, old, within):
    assert _more_falls(new, old) is within


def test_what_is_unfit_is_explained_by_the_programme_that_was_asked():
    known = Known()
    asked(known, Counted(unfit=True))
    new = Counted()
    new.why_unfit = lambda *given: SimpleNamespace(given=given)
    with pytest.raises(UnfitError) as caught:
        known.solve(new, WEIGHT, ENDS, LOW, HIGH)
    assert all(a is b for a, b in zip(caught.value.explained().given, (ENDS, LOW, HIGH), strict=True))
