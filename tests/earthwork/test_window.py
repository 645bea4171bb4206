"""A programme over the ground it concerns has the answer of one over the whole strip, and none is solved twice."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.earthwork import linear
from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.linear import Programme, UnfitError
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules, Weighing, grade
from geotools.errors import InfeasibleError
from geotools.terrain.cells import Cells, strip_cells

CELL = 0.5
RULES = GradingRules(Prices(cut_m3=18.0, fill_m3=32.0, surface_m2=4.0), max_slope=0.33, build_m=0.03, settle_m=0.05)


def dips(*places: float, nx: int = 200, ny: int = 12, depth: float = 0.4) -> Cells:
    """A strip with uneven ground and a dip at each of the places, m."""
    x, y = (np.arange(nx) + 0.5)[:, None] * CELL, (np.arange(ny) - (ny - 1) / 2)[None, :] * CELL
    ground = 100.0 + 0.01 * np.sin(x / 3.0) + 0.004 * y
    for at in places:
        ground = ground - depth * np.exp(-(((x + 0.3 * y - at) / 3.0) ** 2))
    return strip_cells(ground, CELL)


def line_over(cells: Cells, tolerance: float, *, free: float = 0.0) -> SightLine:
    under = np.flatnonzero((np.abs(cells.place[:, 1]) <= 1.1) & cells.movable)
    t = cells.place[under, 0] / cells.place[:, 0].max()
    k = len(under)
    return SightLine(
        "zone 1",
        under,
        t,
        np.full(k, tolerance),
        np.full(k, tolerance),
        (100.0, 100.0),
        ((100.0 - free, 100.0 + free), (100.0 - free, 100.0 + free)),
    )


def path_down(cells: Cells, at: float) -> Falls:
    """A flow path over the beam line that has to go on falling."""
    column = np.flatnonzero((np.abs(cells.place[:, 0] - at) < CELL / 2) & (np.abs(cells.place[:, 1]) < 1.5))
    order = column[np.argsort(-cells.ground[column])]
    assert len(order) > 4
    fall = cells.ground[order[:-1]] - cells.ground[order[1:]]
    return Falls(order[:-1], order[1:], np.minimum(fall, 0.0020), np.full(len(fall), -1), np.zeros(0))


def both(cells: Cells, line: SightLine, falls: Falls | None, depth: float):
    """What comes of the window and of the whole strip, with the price that the programme knows."""
    programme = Programme(cells, [line], RULES, falls)
    weight = np.full(len(cells.ground), 4.0 * cells.area / depth)
    ends = programme.now - programme.datum
    far = np.where(cells.movable, np.inf, 0.0)
    made = []
    for solve in (programme.solve, programme._whole):
        change = solve(weight, ends, -far, far).change
        price = cells.area * (18.0 * -change[change < 0].sum() + 32.0 * change[change > 0].sum())
        made.append((change, price + float(weight @ np.abs(change))))
    return programme, made


@pytest.mark.parametrize("places", [(50.0,), (20.0, 75.0), (4.0,), (30.0, 36.0)])
@pytest.mark.parametrize("free", [0.0, 0.15])
@pytest.mark.parametrize("depth", [0.15, np.inf])
def test_the_window_has_the_price_of_the_whole_strip(places, free, depth):
    cells = dips(*places)
    programme, ((near, price), (_, whole)) = both(cells, line_over(cells, 0.08, free=free), None, depth)
    assert price == pytest.approx(whole, rel=1e-6) and whole > 1.0
    if free == 0.0:
        window = programme._window
        assert window is not None and window.inside.mean() < 0.6  # else nothing was tried
        assert np.abs(near[~window.inside]).max() == 0.0


def test_the_window_keeps_the_falls_of_water_at_the_price_of_the_whole_strip():
    cells = dips(50.0)
    falls = path_down(cells, 50.25)
    _, ((_, price), (_, whole)) = both(cells, line_over(cells, 0.08), falls, 0.15)
    _, ((_, without), _) = both(cells, line_over(cells, 0.08), None, 0.15)
    assert price == pytest.approx(whole, rel=1e-6) and price > without - 1e-6


def test_works_that_reach_the_rim_of_a_window_get_a_wider_one(monkeypatch):
    monkeypatch.setattr(linear, "_STEPS", 0)  # no room for any slope up to the ground that is out of tolerance
    cells = dips(50.0)
    programme, ((_, price), (_, whole)) = both(cells, line_over(cells, 0.08), None, 0.15)
    assert price == pytest.approx(whole, rel=1e-6)
    assert programme._window is not None and programme._window.inside.mean() < 0.6


def test_ground_that_may_not_be_moved_is_refused_by_window_and_strip_alike():
    cells = dips(50.0)
    line = line_over(cells, 0.08)  # over ground that could be moved
    cells = replace(cells, movable=cells.movable & (np.abs(cells.place[:, 0] - 50.0) > 2.0))
    with pytest.raises(InfeasibleError) as caught:
        grade(cells, [line], RULES)
    assert "straightness of zone 1" in caught.value.what


def counted(monkeypatch) -> list[int]:
    solved = [0]
    solve = Programme.solve

    def counting(self, *asked):
        solved[0] += 1
        return solve(self, *asked)

    monkeypatch.setattr(Programme, "solve", counting)
    return solved


def test_the_same_question_is_solved_once(monkeypatch):
    solved, known, cells = counted(monkeypatch), Known(), dips(50.0)
    first = grade(cells, [line_over(cells, 0.08)], RULES, weighing=Weighing(known=known))
    once = solved[0]
    again = grade(cells, [line_over(cells, 0.08)], RULES, weighing=Weighing(known=known))
    assert solved[0] == once and again.cost == first.cost and (again.design == first.design).all()
    grade(dips(51.0), [line_over(dips(51.0), 0.08)], RULES, weighing=Weighing(known=known))
    assert solved[0] > once  # other ground is another question


def test_falls_that_works_keep_by_themselves_need_no_solving(monkeypatch):
    solved, known, cells = counted(monkeypatch), Known(), dips(20.0, 75.0)
    first = grade(cells, [line_over(cells, 0.08)], RULES, weighing=Weighing(known=known))
    once = solved[0]
    kept = grade(cells, [line_over(cells, 0.08)], RULES, falls=path_down(cells, 47.25), weighing=Weighing(known=known))
    assert solved[0] == once and (kept.design == first.design).all()
    in_the_way = path_down(cells, 75.25)
    assert in_the_way.short(first.design).any()  # this one they do not keep
    made = grade(cells, [line_over(cells, 0.08)], RULES, falls=in_the_way, weighing=Weighing(known=known))
    assert solved[0] > once and not in_the_way.short(made.design, 1e-6).any()


def test_limits_no_wider_than_those_that_nothing_satisfied_are_not_tried(monkeypatch):
    solved, known, cells = counted(monkeypatch), Known(), dips(50.0)
    line = line_over(cells, 0.10)
    cells = replace(cells, movable=cells.movable & (np.abs(cells.place[:, 0] - 50.0) > 2.0))
    weighing = Weighing(known=known)
    with pytest.raises(UnfitError):
        grade(cells, [line], RULES, weighing=weighing, explain=False)
    once = solved[0]
    closer = replace(line, low=line.low - 0.02)
    with pytest.raises(InfeasibleError) as caught:
        grade(cells, [closer], RULES, weighing=weighing)
    assert solved[0] == once and "straightness of zone 1" in caught.value.what  # and yet the reason is its own
    wider = replace(line, low=line.low + 1.0)
    before = solved[0]
    change = grade(cells, [wider], RULES, weighing=weighing).design - cells.ground
    # it is solved, and what may not be moved stays
    assert solved[0] > before and (change[~cells.movable] == 0.0).all()
