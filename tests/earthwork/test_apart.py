"""Works found zone by zone: which of them meet, and whether those that do not drain together as they did alone."""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.earthwork import apart
from geotools.earthwork.apart import drain_as_before, runs_that_meet
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading

WATER = GradeSettings(GradingRules(Prices()), {}, water=object())


def works(*columns: int, cell_m: float = 0.5, row: int = 0, crossings=()) -> ZoneGrading:
    """A strip of one row of forty cells, of which some columns are worked."""
    x, y = (np.arange(40) + 0.5) * cell_m, np.full(40, row * cell_m)
    ground = np.full(40, 100.0)
    design = ground.copy()
    design[list(columns)] += 0.1
    strip = SimpleNamespace(x=x, y=y, cells=SimpleNamespace(ground=ground, area=cell_m**2))
    return ZoneGrading((), strip, design, (), True, 1, "", None, crossings)


@pytest.mark.parametrize("cell_m", [0.25, 0.5, 1.0])
@pytest.mark.parametrize(("column", "meet"), [(10, True), (11, True), (12, True), (13, False), (7, False), (8, True)])
def test_works_meet_with_up_to_one_cell_of_ground_between_them(cell_m, column, meet):
    pair = [works(10, cell_m=cell_m), works(column, cell_m=cell_m)]
    assert runs_that_meet(pair) == ([[0, 1]] if meet else [[0], [1]])


def test_works_meet_across_a_corner_too():
    assert runs_that_meet([works(10), works(12, row=2)]) == [[0, 1]]
    assert runs_that_meet([works(10), works(10, row=3)]) == [[0], [1]]


@pytest.mark.parametrize(
    ("columns", "runs"),
    [
        ([(5,), (10,), (15,)], [[0], [1], [2]]),
        ([(5,), (10,), (11,), (30,)], [[0], [1, 2], [3]]),
        ([(5,), (6,), (20,), (21,)], [[0, 1], [2, 3]]),
        ([(5, 20), (6,), (21,)], [[0, 1, 2]]),
        # the first meets the last alone: what lies between them goes with them, for zones of a programme follow on
        ([(5,), (20,), (6,)], [[0, 1, 2]]),
        # nothing is worked: nothing is met
        ([(5,), (), (6,)], [[0, 1, 2]]),
        ([(), ()], [[0], [1]]),
        ([(5,)], [[0]]),
    ],
)
def test_runs_reach_from_the_first_to_the_last_that_meet(columns, runs):
    assert runs_that_meet([works(*each) for each in columns]) == runs


@pytest.mark.parametrize(
    ("alone", "together", "ponds", "same"),
    [
        ([], [], [], True),
        ([40.0], [40.0], [], True),
        # water stands between works that leave none by themselves
        ([], [], ["pond"], False),
        # a way for water more, or one less, is another price
        ([40.0], [40.0, 40.0], [], False),
        ([40.0, 40.0], [40.0], [], False),
    ],
)
def test_works_drain_together_as_they_do_alone_or_are_looked_for_anew(monkeypatch, alone, together, ponds, same):
    asked = []

    class Water:
        def __init__(self, *given):
            asked.append(given)

        def after(self, design, *, every):
            asked.append(design)
            return [SimpleNamespace(cost=cost) for cost in together], ponds

    monkeypatch.setattr(apart, "Drainage", Water)
    one = works(5, crossings=tuple(SimpleNamespace(cost=cost) for cost in alone))
    surface = SimpleNamespace(strip_cells=lambda lines, half: works().strip)
    assert drain_as_before(surface, [one, works(20)], WATER) is same
    # both on one ground
    assert np.flatnonzero(asked[1] != 100.0).tolist() == [5, 20]


def test_where_water_is_out_of_account_nothing_is_flooded():
    assert drain_as_before(None, [works(5), works(20)], GradeSettings(GradingRules(Prices()), {}))
