"""Water at the edges of a site, crossings weighed against falls, lines of sight and bounds: worked out on paper.

Red when a way outside the ground cuts into it, a crossing's price is forgotten, a line stands on other feet than those
of its posts, or works are said to be dry, or priced as drawn, that are not.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from affine import Affine

from geotools.earthwork import group, solving
from geotools.earthwork.buildable import Machine
from geotools.earthwork.demand import sight_line
from geotools.earthwork.disturb import Tolerances
from geotools.earthwork.falls import Drainage
from geotools.earthwork.flow_paths import WaterRules
from geotools.earthwork.group import ZoneGroup
from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import Grading, GradingRules
from geotools.earthwork.solving import Solver
from geotools.earthwork.water import let_through
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.errors import InfeasibleError
from geotools.terrain.cells import strip_cells
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula, zone

#: Cells of half a metre; the corner of the first is at (100, 50), y falls from row to row.
TRANSFORM = Affine(0.5, 0, 100.0, 0, -0.5, 50.0)


@pytest.mark.parametrize(
    ("start", "end", "cut"),
    [
        # in from each side: (x, y) outside, (x, y) inside, and the cells that it goes over
        ((98.0, 48.75), (101.25, 48.75), (2, slice(0, 3))),
        ((106.0, 48.75), (102.75, 48.75), (2, slice(5, 8))),
        ((101.25, 53.0), (101.25, 49.25), (slice(0, 2), 2)),
        ((101.25, 45.0), (101.25, 48.25), (slice(3, 5), 2)),
    ],
)
def test_a_way_that_leaves_the_ground_cuts_what_it_crosses_and_nothing_at_the_other_side(start, end, cut):
    level = np.full((5, 8), 10.0)
    found = let_through(level, TRANSFORM, [np.array([(*start, 9.0), (*end, 9.0)])])
    wanted = np.full((5, 8), 10.0)
    wanted[cut] = 9.0
    assert np.array_equal(found, wanted) and (level == 10.0).all()


@pytest.mark.parametrize("corner", [(99.0, 51.0), (105.0, 51.0), (99.0, 46.0), (105.0, 46.0)])
def test_a_way_wholly_beside_the_ground_changes_nothing(corner):
    x, y = corner
    way = np.array([(x, y, 9.0), (x + 0.4, y + 0.4, 9.0)])
    level = np.arange(40.0).reshape(5, 8)
    assert np.array_equal(let_through(level, TRANSFORM, [way]), level)


def test_water_is_looked_at_within_the_margin_around_the_strip_and_at_the_grounds_own_levels():
    """A strip of 50 by 6 m on cells of half a metre, and 5 m around it."""
    slope = Formula(lambda x, y: 100 + 0.02 * y + 0.01 * x)
    surface = DesignSurface(slope, (-30, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    water = Drainage(surface, strip, WaterRules(margin_m=5.0), Prices())
    rows, columns = np.ptp(strip.row) + 1 + 20, np.ptp(strip.column) + 1 + 20
    assert water.level.shape == (rows, columns)
    assert abs(rows - 32) <= 2 and abs(columns - 120) <= 2
    i, j = np.nonzero(np.isfinite(water.level))
    x, y = surface.centres(i + strip.row.min() - 10, j + strip.column.min() - 10)
    assert water.level[i, j] == pytest.approx(slope.sample(x, y))
    # all within 5 m of the strip and no others, but for the cells at its rim
    apart = np.min(np.hypot(x[:, None] - strip.x, y[:, None] - strip.y), axis=1)
    assert apart.max() <= 5.0 + 1e-9 and len(i) > 0.95 * rows * columns


def solver_of(prices, ground=None):
    flat = np.zeros((6, 5)) if ground is None else ground
    return Solver(strip_cells(flat, 0.5), GradingRules(prices), Machine(0.0, 0.0), None, Known())


@pytest.mark.parametrize(
    ("costs", "kept"),
    [
        # earth with both crossings, without the dearer, without the other as well
        ((100.0, 105.0, 113.0), [True, False]),
        ((100.0, 110.0, 113.0), [True, True]),
        ((100.0, 105.0, 111.0), [False, False]),
        ((100.0, 109.0, 116.0), [False, False]),
        ((100.0, 109.1, 116.2), [True, True]),
    ],
)
def test_a_fall_is_kept_where_that_costs_no_more_than_its_crossing(monkeypatch, costs, kept):
    """Crossings at 7 and 9: both cost 116 with the earth, the first alone 7 more than earth, none nothing."""
    falls = Falls(np.array([0, 1]), np.array([5, 6]), np.array([0.1, 0.1]), np.array([0, 1]), np.array([7.0, 9.0]))
    solver = solver_of(Prices(2.0, 3.0))
    solver.drainage = SimpleNamespace(falls=lambda: falls)

    def grade(cells, lines, rules, *, falls, weighing, explain):
        # the falls that are left to keep say what is built
        left = set(falls.upper.tolist())
        cost = {frozenset(): costs[0], frozenset({1}): costs[1], frozenset({0, 1}): costs[2]}.get(frozenset(left))
        if cost is None:
            raise InfeasibleError("not this one alone")
        design = np.zeros(30)
        for upper in left:
            design[upper] = 1.0
        return SimpleNamespace(cost=cost, design=design)

    monkeypatch.setattr(solving, "grade", grade)
    found = solver._kept_falls([])
    assert sorted(found.upper.tolist()) == [number for number in (0, 1) if not kept[number]]


def test_the_bound_counts_the_cells_that_lie_outside_their_line_wherever_its_ends_stand():
    """Ground that rises by a tenth from row to row, six cells of it 0.3 m too high, at 12 m and at 500 m."""
    prices = Prices(2.0, 3.0, surface_m2=4.0)
    for datum in (0.0, 12.0, 500.0):
        ground = datum + 0.1 * np.arange(6)[:, None] + np.zeros((6, 5))
        ground[2:4, 1:4] += 0.3
        solver = solver_of(prices, ground)
        under = np.flatnonzero(solver.cells.movable)
        row = solver.cells.ground[under]
        row = np.rint(
            (row - datum - np.where(np.isin(under // 5, (2, 3)) & np.isin(under % 5, (1, 2, 3)), 0.3, 0)) * 10
        )
        line = SightLine(
            "Z", under, row / 5, np.full(len(under), 0.1), np.full(len(under), 0.1),
            (datum, datum + 0.5), ((datum, datum), (datum + 0.5, datum + 0.5)),
        )  # fmt: skip
        made = Grading(
            *(np.zeros(30) for _ in range(3)), np.zeros((1, 2)), 0.0, 0.25, np.zeros((1, 2), bool), np.zeros(0, bool)
        )
        solver._asked[id(made.design)] = made.design, [line]
        worked = int(np.isin(under, [11, 12, 13, 16, 17, 18]).sum())
        assert worked == 6
        # 0.2 m off each of six cells of a quarter of a square metre, and their area
        assert solver.bound(made) == pytest.approx(6 * 0.25 * (0.2 * 2.0 + 4.0), rel=1e-3)


def test_a_line_of_sight_stands_on_the_ground_under_its_beam_line():
    """Levels fall to both sides of a beam line that rises by 1 m in 10; its cells are near it, between the posts."""
    along, aside = np.linspace(0.0, 10.0, 6), np.linspace(-2.0, 2.0, 7)
    level = 20.0 + 0.1 * along[:, None] - 0.5 * np.abs(aside)[None, :]
    x = np.array([-0.1, 0.0, 5.0, 10.0, 10.1, 5.0, 5.0, 5.0, 5.0])
    y = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 1.0, -1.0, 1.1, 0.5])
    ground = 20.0 + 0.1 * x + np.where(x == 5.0, 0.2, 0.0)
    movable = np.array([True] * 8 + [False])
    strip = SimpleNamespace(x=x, y=y, cells=SimpleNamespace(ground=ground, movable=movable))
    made = sight_line(zone(length=10.0), level, strip, 1.0, 0.3, (-0.4, 0.1))
    assert made.cells.tolist() == [1, 2, 3, 5, 6] and made.fraction == pytest.approx([0, 0.5, 1, 0.5, 0.5])
    assert made.ends == (20.0, 21.0)
    assert made.reach == (pytest.approx((19.6, 20.1)), pytest.approx((20.6, 21.1)))
    assert np.isinf(made.low).all()
    # as far as ground may come, or a little more than it does today
    assert made.high == pytest.approx([0.3] * 5)
    close = sight_line(zone(length=10.0), level, strip, 1.0, 0.1, (0.0, 0.0))
    assert close.high == pytest.approx([0.1, 0.25, 0.1, 0.25, 0.25])


def grading(cost, *, clear=True, dry=True, as_drawn=None):
    moved = np.array([[True, False]])
    made = SimpleNamespace(grading=SimpleNamespace(moved=moved))
    return ZoneGrading((), None, np.zeros(3), (), clear, 1, "", made, (), cost, dry, as_drawn=as_drawn)


class Drawn:
    """In the place of a group: what is asked of it is noted."""

    def __init__(self, answer):
        self.answer, self.asked = answer, []
        self.settings = GradeSettings(GradingRules(Prices(), build_m=0.03, settle_m=0.05), {}, tolerances=Tolerances())
        self.rules, self._proofs = self.settings.rules, {"kept": "from before"}

    def run(self, moved, *, keep_falls, most=np.inf):
        self.asked.append((moved, keep_falls, self.settings.tolerances, self.rules.build_m, self.rules.settle_m))
        assert self._proofs == {}
        return self.answer


@pytest.mark.parametrize(
    ("other", "wanted"),
    [
        (grading(70.0), 70.0),
        (grading(170.0), 100.0),
        (grading(70.0, clear=False), 100.0),
        (grading(70.0, dry=False), 100.0),
    ],
)
def test_what_works_cost_as_drawn_leaves_every_tolerance_away_and_moves_the_same_heads(other, wanted):
    stand_in = Drawn(other)
    found = ZoneGroup.with_robustness(stand_in, grading(100.0))
    assert found.as_drawn == wanted and found.price == 100.0
    assert stand_in.asked == [(frozenset({(0, 0)}), False, Tolerances(0.0, 0.0, 0.0), 0.0, 0.0)]
    # its own rules are as they were
    assert stand_in.rules.build_m == 0.03 and stand_in.settings.tolerances == Tolerances()
    assert ZoneGroup.with_robustness(stand_in, grading(9.0, clear=False)).as_drawn is None


@pytest.mark.parametrize("count", [0, 1, 2])
def test_works_that_leave_ponds_are_not_dry_and_say_how_many(count):
    made = SimpleNamespace(
        grading=SimpleNamespace(ends=np.zeros((0, 2)), design=np.zeros(3)),
        proofs=[],
        clear=True,
        rounds=2,
        reason="why",
        unfit=None,
    )
    solver = SimpleNamespace(
        water=lambda _: ([], [np.array([0])] * count),
        price=lambda grading, crossings: 12.0,
        buildable=lambda _: True,
        bound=lambda _: 9.0,
    )
    settings = GradeSettings(GradingRules(Prices()), {})
    stand_in = SimpleNamespace(settings=settings, strip=None, _settled=lambda ends: [])
    found = group.ZoneGroup._finished(stand_in, made, solver)
    assert found.dry == (count == 0) and (found.price, found.bound, found.clear) == (12.0, 9.0, True)
    assert found.reason.startswith(settings.clear_words) and ("water would stand" in found.reason) == (count > 0)
    assert (f"{count} place" in found.reason) == (count > 0)
    failed = ZoneGroup._finished(stand_in, SimpleNamespace(**{**vars(made), "clear": False}), solver)
    assert failed.reason.startswith("why") and not failed.clear
