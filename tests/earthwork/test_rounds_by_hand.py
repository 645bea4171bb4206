"""How tolerances are tightened round by round: every surface that is tried, worked out by hand. Nothing is solved.

Red when a round tightens elsewhere or by another step, a head is brought back too early, water is asked for too often,
or a surface that is clear is called anything else.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from geotools.earthwork.limits import SightLine
from geotools.earthwork.linear import UnfitError
from geotools.earthwork.proof import CheckedGrading, Proof, Search, grade_until_clear, spread
from geotools.earthwork.zone_grading import ZoneGrading
from geotools.errors import InfeasibleError

STATIONS = np.arange(0.0, 40.5, 0.5)
NOBODY = np.zeros(STATIONS.size, dtype=bool)


def at(*places):
    return np.isin(STATIONS, places)


class Tries:
    """Keeps the line of every surface that is tried; ``needs`` is the least tolerance that leaves a surface."""

    def __init__(self, needs=0.0, prices=()):
        self.told, self.needs, self.prices = [], needs, list(prices)

    def __call__(self, lines):
        self.told.append(lines[0])
        if lines[0].low.min() < self.needs - 1e-9:
            raise InfeasibleError("too close")
        return SimpleNamespace(cost=self.prices.pop(0) if self.prices else 10.0, number=len(self.told))

    def closest(self):
        """The closest tolerance of every surface tried, m."""
        return [round(float(line.low.min()), 6) for line in self.told]


def run(tries, open_in, search, *, reach=1.0, dry=lambda made: True):
    """``open_in`` : stations that stay open on a surface, by its number."""
    ends = ((100.0 - reach, 100.0 + reach),) * 2
    none = np.full(STATIONS.size, np.inf)
    line = SightLine("zone 1", np.arange(STATIONS.size), STATIONS / 40.0, none, none, (100.0, 100.0), ends)

    def prove(made):
        return [Proof(STATIONS, open_in(made.number), NOBODY)]

    return grade_until_clear([line], [40.0], tries, prove, [Proof(STATIONS, at(20.0), NOBODY)], search, dry)


def test_each_round_halves_the_tolerance_and_looks_twice_as_far_to_both_sides():
    tries = Tries()
    made = run(tries, lambda number: at(20.0), Search(0.4, reach=1.0, smallest=0.001, max_rounds=4))
    away = np.abs(STATIONS - 20.0)
    reaches = ((1.0,), (1.0, 2.0), (1.0, 2.0, 4.0), (1.0, 2.0, 4.0, 8.0))
    for line, steps in zip(tries.told, reaches, strict=True):
        wanted = np.full(STATIONS.size, np.inf)
        for k, step in enumerate(reversed(steps)):
            # the farthest ring was begun last
            wanted[away <= step] = 0.4 / 2**k
        assert line.low == pytest.approx(wanted) and line.high == pytest.approx(wanted)
    assert (made.clear, made.rounds, made.grading.number) == (False, 4, 4)
    assert "after 4 rounds" in made.reason and "chainage 20.0 m" in made.reason


def test_a_head_that_blinds_its_surroundings_keeps_its_reach_for_three_rounds_and_half_of_it_from_then_on():
    tries = Tries()
    run(tries, lambda number: at(3.0), Search(0.4, smallest=0.0001, max_rounds=5))
    full, half, quarter = (99.0, 101.0), (99.5, 100.5), (99.75, 100.25)
    assert [line.reach for line in tries.told] == [(full, full)] * 3 + [(half, full), (quarter, full)]
    # the other head by what lies before it, within ten metres
    for place, first, last in ((31.0, full, half), (29.5, full, full), (9.5, half, full), (10.5, full, full)):
        tries = Tries()
        run(tries, lambda number, place=place: at(place), Search(0.4, smallest=0.0001, max_rounds=4))
        assert tries.told[-1].reach == (first, last)


def test_ground_as_straight_as_it_gets_brings_both_heads_back_and_then_it_is_given_up():
    tries = Tries()
    made = run(tries, lambda number: at(20.0), Search(0.02, reach=50.0, smallest=0.01), reach=0.03)
    assert tries.closest() == [0.02, 0.01, 0.01, 0.01]
    reach = [line.reach[0][1] - 100.0 for line in tries.told]
    # half of 0.03 m, and what is left of that is less than a centimetre: none
    assert reach == pytest.approx([0.03, 0.03, 0.015, 0.0])
    assert not made.clear and made.rounds == 4 and "with the ground straight to 1 cm" in made.reason
    coarse = run(Tries(), lambda number: at(20.0), Search(1.2, reach=50.0, smallest=0.6), reach=0.03)
    assert not coarse.clear and "with the ground straight to 60 cm" in coarse.reason


@pytest.mark.parametrize(
    ("needs", "tried"),
    [
        # half of what left no surface is met twice, then it is given up
        (0.35, [0.4, 0.2, 0.3, 0.35, 0.175]),
        (0.36, [0.4, 0.2, 0.3, 0.35]),
        # the first one is loosened twice and four times
        (0.5, [0.4, 0.8, 0.4, 0.6, 0.3, 0.45]),
        (1.6, [0.4, 0.8, 1.6, 0.8, 1.2, 1.4]),
    ],
)
def test_a_tolerance_that_leaves_no_surface_is_met_halfway(needs, tried):
    tries = Tries(needs)
    made = run(tries, lambda number: at(20.0), Search(0.4, reach=50.0, smallest=0.001))
    assert tries.closest()[: len(tried)] == tried
    assert not made.clear and "too close" in str(made.unfit)
    nothing = Tries(1.7)
    with pytest.raises(InfeasibleError, match="too close"):
        run(nothing, lambda number: at(20.0), Search(0.4, reach=50.0))
    assert nothing.closest() == [0.4, 0.8, 1.6]


def test_once_clear_the_step_to_what_failed_is_halved_as_often_as_is_said_and_the_cheapest_is_kept():
    tries = Tries(prices=[9.0, 8.0, 7.0, 7.5, 6.0])
    # 0.4 m fails, 0.2 m is clear; of the trials 0.3 m fails, 0.25 m and 0.275 m are clear
    made = run(tries, lambda n: at(20.0) if n in (1, 3) else NOBODY, Search(0.4, reach=50.0, refine=3))
    assert tries.closest() == [0.4, 0.2, 0.3, 0.25, 0.275]
    assert made.clear and made.rounds == 2 and (made.grading.number, made.grading.cost) == (5, 6.0)
    # what is clear at the first tolerance is tried at half as much again
    tries = Tries()
    made = run(tries, lambda number: NOBODY, Search(0.4, reach=50.0, refine=2))
    assert tries.closest() == [0.4, 0.6, 0.7] and made.clear and made.rounds == 1


@pytest.mark.parametrize(("price", "most", "tried"), [(10.0, 8.0, 1), (9.9, 8.0, 3), (10.0, np.inf, 3), (30.0, 8.0, 1)])
def test_what_is_clear_and_a_quarter_dearer_than_another_way_is_not_refined(price, most, tried):
    tries = Tries(prices=[price] * 3)
    made = run(tries, lambda number: NOBODY, Search(0.4, refine=2, most=most))
    assert made.clear and len(tries.told) == tried and made.reason.startswith("clear")


@pytest.mark.parametrize(("price", "rounds"), [(8.0, 1), (7.9, 3)])
def test_what_is_not_clear_and_as_dear_as_another_way_is_tightened_no_further(price, rounds):
    tries = Tries(prices=[price] * 9)
    made = run(tries, lambda number: at(20.0), Search(0.4, smallest=0.001, max_rounds=3, most=8.0))
    assert (made.clear, made.rounds, len(tries.told)) == (False, rounds, rounds)
    assert ("dearer than another way" in made.reason) == (rounds == 1)


@pytest.mark.parametrize(("wet", "solved"), [(0, 1), (1, 2), (2, 3), (9, 3)])
def test_a_surface_that_leaves_water_is_solved_again_twice_at_most(wet, solved):
    asked = []

    def dry(made):
        asked.append(made.number)
        assert len(asked) < 20
        return made.number > wet

    tries = Tries()
    made = run(tries, lambda number: NOBODY, Search(0.4, refine=0), dry=dry)
    assert len(tries.told) == solved and made.clear and made.grading.number == solved
    assert set(tries.closest()) == {0.4}
    # water is not looked for on a surface that somebody gets over
    asked.clear()
    run(Tries(), lambda number: at(20.0), Search(0.4, smallest=0.001, max_rounds=3), dry=dry)
    assert asked == []


def test_flags_are_widened_about_each_of_several_stations():
    flags = at(3.0, 10.0, 11.0, 30.0)
    near = np.min([np.abs(STATIONS - place) for place in (3.0, 10.0, 11.0, 30.0)], axis=0)
    for reach in (0.0, 0.5, 2.0, 9.0):
        assert np.array_equal(spread(STATIONS, flags, reach), near <= reach)


def test_why_nothing_closer_was_found_is_put_into_words_when_somebody_asks():
    asked = []
    problem = UnfitError(lambda: asked.append(1) or InfeasibleError("Too steep.", where="here", found="0.1 m"))
    nothing = ZoneGrading((), None, np.zeros(0), (), False, 0, "", None, unfit=problem)
    assert not asked
    assert nothing.with_words().reason == "Too steep. At here: 0.1 m."
    checked = CheckedGrading(None, [], False, 3, "", problem)
    last = replace(nothing, made=checked, reason="zone 1 still leaves somebody undetected")
    worded = last.with_words()
    assert worded.reason == "zone 1 still leaves somebody undetected; closer: Too steep. here"
    assert len(asked) == 2 and worded.with_words() is worded
    assert worded.unfit is None and worded.made == replace(checked, unfit=None)
