"""Works that a machine can make, on small plans drawn by hand: squares of its width, lifts, and what lies around them.

Red when ground is worked that has no room for the machine, a lift is thinner than it can be, or a crumb is left.
"""

import numpy as np
import pytest

from geotools.earthwork.buildable import Machine, buildable_bounds, squares
from geotools.site.works import GradingLimits
from geotools.terrain.cells import strip_cells

INF = np.inf


def plan(*rows):
    """``#`` is True."""
    return np.array([[letter == "#" for letter in row] for row in rows])


def drawn(flags):
    return ["".join("#" if flag else "." for flag in row) for row in flags]


EVERYWHERE = plan(*["######"] * 5)


def test_squares_of_one_cell_are_the_cells_themselves():
    wanted = plan("#.#...", "......", "..##..", "......", ".....#")
    assert np.array_equal(squares(wanted, EVERYWHERE, 1), wanted)
    room = plan("######", "######", "##.###", "######", "#####.")
    assert drawn(squares(wanted, room, 1)) == ["#.#...", "......", "...#..", "......", "......"]


def test_a_single_cell_is_widened_to_a_square_that_has_room():
    wanted = plan("......", "......", "..#...", "......", "......")
    # of equal squares the uppermost, then the one farthest to the left
    assert drawn(squares(wanted, EVERYWHERE, 2)) == ["......", ".##...", ".##...", "......", "......"]
    room = plan("######", "#.####", "######", "######", "######")
    assert drawn(squares(wanted, room, 2)) == ["......", "..##..", "..##..", "......", "......"]
    # nowhere room for three by three
    narrow = plan("######", "######", "######", "......", "######")
    assert drawn(squares(wanted, narrow, 3))[:3] == ["###...", "###...", "###..."]
    shut = plan("######", "......", "######", "......", "######")
    assert not squares(wanted, shut, 2).any()
    # a plan smaller than the machine
    assert not squares(plan("##", "##"), plan("##", "##"), 3).any()


def test_of_the_squares_the_one_with_most_required_cells_is_taken():
    wanted = plan("......", "..##..", "...#..", "......", "......")
    assert drawn(squares(wanted, EVERYWHERE, 2)) == ["......", "..##..", "..##..", "......", "......"]
    # what is whole stays whole and grows by nothing
    whole = plan("......", ".####.", ".####.", ".####.", "......")
    assert np.array_equal(squares(whole, EVERYWHERE, 2), whole) and np.array_equal(squares(whole, EVERYWHERE, 3), whole)
    # a cell beside it is taken in by a square that shares most with it
    beside = plan("......", ".####.", ".####.", ".####.", "...#..")
    assert drawn(squares(beside, EVERYWHERE, 2))[4] in ("..##..", "...##.")
    assert drawn(squares(beside, EVERYWHERE, 2))[:4] == drawn(whole)[:4]


@pytest.mark.parametrize("side", [2, 3])
def test_every_worked_cell_lies_in_a_square_of_movable_cells(side):
    """By brute force on random plans; and every required cell with room is worked."""
    rng = np.random.default_rng(side)
    for _ in range(30):
        movable = rng.random((7, 9)) < 0.85
        wanted = (rng.random((7, 9)) < 0.15) & movable
        made = squares(wanted, movable, side)
        held, room = np.zeros_like(made), np.zeros_like(made)
        for r in range(7 - side + 1):
            for c in range(9 - side + 1):
                block = np.s_[r : r + side, c : c + side]
                if made[block].all():
                    held[block] = True
                if movable[block].all():
                    room[block] = True
        assert np.array_equal(held, made) and not (made & ~movable).any()
        assert np.array_equal(wanted & room, wanted & made)


def bounds(change, machine, cell=0.5, **given):
    """Lowest and highest change of the movable cells of a plan, as a plan; the rim of a strip does not move."""
    shape = change.shape
    cells = strip_cells(np.zeros(shape), cell)
    low, high = buildable_bounds(cells, change.ravel(), machine, **given)
    return low.reshape(shape), high.reshape(shape)


def moved(**places):
    change = np.zeros((8, 9))
    for name, by in places.items():
        change[int(name[1]), int(name[2])] = by
    return change


def test_worked_ground_is_filled_or_cut_by_a_lift_at_least_and_the_rest_is_left():
    """Cells of half a metre and a blade of one: squares of two cells."""
    change = moved(c33=0.2, c34=0.2, c43=0.2, c44=0.2)
    low, high = bounds(change, Machine(0.05, 1.0))
    worked = change > 0
    assert (low[worked] == 0.05).all() and (high[worked] == INF).all()
    assert (low[~worked] == 0.0).all() and (high[~worked] == 0.0).all()
    low, high = bounds(-change, Machine(0.07, 1.0))
    assert (low[worked] == -INF).all() and (high[worked] == -0.07).all() and (low[~worked] == 0.0).all()
    low, high = bounds(change, Machine(0.05, 1.0), thin=True)
    assert (low[worked] == -INF).all() and (high[worked] == INF).all()
    assert (low[~worked] == 0.0).all() and (high[~worked] == 0.0).all()


def test_a_cell_taken_along_goes_the_way_of_its_surroundings():
    low, high = bounds(moved(c33=0.2), Machine(0.05, 1.0))
    assert (low == 0.05).sum() == 4 and (high == INF).sum() == 4
    low, high = bounds(moved(c33=-0.2), Machine(0.05, 1.0))
    assert (high == -0.05).sum() == 4 and (low == -INF).sum() == 4
    # cut beside more fill: each its own way, what is taken along with the fill
    low, high = bounds(moved(c33=-0.02, c34=0.3), Machine(0.05, 1.0))
    assert high[3, 3] == -0.05 and low[3, 4] == 0.05 and (low == 0.05).sum() == 3


@pytest.mark.parametrize(
    ("lift", "least", "by", "worked"),
    [
        # thinner than half a lift or than a centimetre, whichever is less, is nothing
        (0.05, 0.01, 0.009, False),
        (0.05, 0.01, 0.011, True),
        (0.01, 0.01, 0.0049, False),
        (0.01, 0.01, 0.0051, True),
        (0.0, 0.01, 0.0009, False),
        (0.0, 0.01, 0.0011, True),
        (0.2, 0.05, 0.049, False),
        (0.2, 0.05, 0.051, True),
    ],
)
def test_dust_is_no_works(lift, least, by, worked):
    for sign in (1.0, -1.0):
        low, high = bounds(moved(c33=sign * by), Machine(lift, 0.5), least_m=least)
        assert bool(np.isinf(low).any() or np.isinf(high).any()) == worked


def test_works_are_widened_by_whole_cells_all_around_but_not_onto_the_rim():
    for wider, count in ((0, 1), (1, 9), (2, 25)):
        _, high = bounds(moved(c34=0.2), Machine(0.05, 0.5), wider=wider)
        assert (high == INF).sum() == count
    fixed = ~strip_cells(np.zeros((8, 9)), 0.5).movable.reshape(8, 9)
    _, high = bounds(moved(c34=0.2), Machine(0.05, 0.5), wider=6)
    assert fixed.any() and (high[fixed] == 0.0).all() and (high[~fixed] == INF).all()


@pytest.mark.parametrize(
    ("width", "cell", "side"), [(1.0, 0.5, 2), (1.01, 0.5, 3), (0.4, 0.5, 1), (1.5, 0.5, 3), (1.0, 0.25, 4)]
)
def test_a_blade_takes_as_many_cells_as_it_is_wide(width, cell, side):
    _, high = bounds(moved(c34=0.2), Machine(0.05, width), cell=cell)
    assert (high == INF).sum() == side * side


def test_ground_is_taken_beside_the_works_only_where_a_lift_has_room():
    """A pit in a plane; beyond it to the right a bank as steep as is allowed, at whose foot nothing can be lifted."""
    ground = np.zeros((7, 7))
    ground[:, 5], ground[:, 6] = -0.165, -0.33  # falls by 33 % to the right from the fifth column on
    cells = strip_cells(ground, 0.5)
    change = np.zeros((7, 7))
    change[3, 3] = 0.3
    change = change.ravel()
    machine = Machine(0.06, 0.5)

    def worked(wider, max_slope):
        low, _ = buildable_bounds(cells, change, machine, wider=wider, max_slope=max_slope)
        return drawn((low > 0).reshape(7, 7))

    assert worked(0, 0.33) == ["." * 7] * 3 + ["...#..."] + ["." * 7] * 3
    ring = [".......", ".......", "..###..", "..###..", "..###..", ".......", "......."]
    assert worked(1, 0.46) == worked(1, INF) == ring
    # 0.06 m more over half a metre is 12 % more: beside the bank there is no room for it, on the plane there is
    beside = [".......", ".......", "..##...", "..##...", "..##...", ".......", "......."]
    assert worked(1, 0.33) == worked(1, 0.44) == beside
    assert worked(1, 0.10) == worked(0, 0.33)
    # what leans on a cell that has no room has none either
    wider = [".......", *[".###..."] * 5, "......."]
    assert worked(2, 0.33) == wider


@pytest.mark.parametrize("axis", [None, 0, 1])
@pytest.mark.parametrize("turned", [False, True])
def test_room_for_a_lift_is_looked_for_in_every_direction(axis, turned):
    """The bank on the right, on the left, above or below; thin works need no room."""
    ground = np.zeros((7, 7))
    ground[:, 5], ground[:, 6] = -0.165, -0.33
    change = np.zeros((7, 7))
    change[3, 3] = 0.3

    def placed(plan):
        plan = plan.T if turned else plan
        return plan if axis is None else np.flip(plan, axis)

    cells = strip_cells(np.ascontiguousarray(placed(ground)), 0.5)
    beside = np.zeros((7, 7), dtype=bool)
    beside[2:5, 2:4] = True
    low, _ = buildable_bounds(cells, placed(change).ravel(), Machine(0.06, 0.5), wider=1, max_slope=0.33)
    assert np.array_equal((low > 0).reshape(7, 7), placed(beside))
    beside[2:5, 4] = True
    low, _ = buildable_bounds(cells, placed(change).ravel(), Machine(0.06, 0.5), wider=1, max_slope=0.33, thin=True)
    assert np.array_equal(np.isneginf(low).reshape(7, 7), placed(beside))


def test_a_machine_without_a_width_works_single_cells():
    """No width at all is no square of no cells: what is taken is the cell itself."""
    _, high = bounds(moved(c34=0.2), Machine(0.05, 0.0))
    assert (high == INF).sum() == 1


def test_a_machine_that_nobody_describes_is_that_of_a_site_file_that_says_nothing():
    """A metre wide, and five centimetres the thinnest lift: on cells of half a metre a square of two by two."""
    stated = GradingLimits()
    assert Machine() == Machine(stated.least_lift_m, stated.least_width_m)
    low, _ = bounds(moved(c34=0.2), Machine())
    assert low[low > 0].tolist() == [0.05] * 4
