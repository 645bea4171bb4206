"""Which works are tried for a group of zones, up to which price, and which are taken: from tables. Nothing is solved.

Red when works are tried without need, left out, or one is taken that another is better than.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.earthwork import zones
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.earthwork.zones import _cheaper_way, _cheapest, _earth, _price, _rank, _with_heads_moved, strip_groups
from geotools.plan.model import Zone

INF = float("inf")
NONE = frozenset()
A, B, C = (frozenset({(0, end)}) for end in (0, 1, 2))


def works(price, *, clear=True, dry=True, ways=(), buildable=True, made=True):
    return SimpleNamespace(
        price=float(price),
        clear=clear,
        dry=dry,
        buildable=buildable,
        made=object() if made else None,
        crossings=tuple(SimpleNamespace(cost=float(cost)) for cost in ways),
    )


class Trial:
    """Works by the heads that may move and whether falls are kept; what is asked is noted."""

    def __init__(self, table, choices=()):
        self.table, self.offered, self.asked, self.worth = table, list(choices), [], None

    def run(self, heads, keep_falls, most=INF):
        self.asked.append((heads, keep_falls, most))
        return self.table[heads, keep_falls]

    def choices(self, worth):
        self.worth = worth
        return self.offered


def test_prices_and_ranks_by_hand():
    one = works(100, ways=(30, 5))
    assert _earth(one) == 65.0 and _price(one) == 100.0
    assert _price(works(100, clear=False)) == INF == _price(works(100, dry=False))
    # there, clear, dry, cheap, in this order
    order = [
        works(50),
        works(60),
        works(10, dry=False),
        works(1, clear=False),
        works(0.5, clear=False, dry=False),
        works(0, made=False),
    ]
    assert sorted(order[::-1], key=_rank) == order


@pytest.mark.parametrize(
    ("first", "second", "most", "tried", "taken"),
    [
        # dry and without ways: nothing else to look for
        (works(100), works(50), INF, False, "first"),
        # with ways, the falls kept may be cheaper, or not
        (works(100, ways=(40,)), works(90), INF, True, "second"),
        (works(100, ways=(40,)), works(110), INF, True, "first"),
        (works(100, ways=(40,)), works(90, clear=False), INF, True, "first"),
        # wet: the other is looked for, and taken where it is dry
        (works(100, dry=False), works(200), INF, True, "second"),
        (works(100, dry=False), works(80, dry=False), INF, True, "second"),
        # the earth alone is more than anybody wants
        (works(100, ways=(40,)), works(50), 60.0, False, "first"),
        (works(100, ways=(40,)), works(50), 60.5, True, "second"),
    ],
)
@pytest.mark.parametrize("heads", [NONE, A], ids=["held", "moved"])
def test_falls_are_kept_where_ways_for_water_would_cost_more(first, second, most, tried, taken, heads):
    trial = Trial({(heads, False): first, (heads, True): second})
    best, kept = _cheaper_way(trial, heads, most)
    assert best is (first if taken == "first" else second) and kept is (taken == "second")
    below = min(first.price if first.clear and first.dry else INF, most)
    assert trial.asked == [(heads, False, most)] + ([(heads, True, below)] if tried else [])


@pytest.mark.parametrize("keep_falls", [False, True])
def test_heads_are_moved_where_that_is_better_and_no_longer_than_worth_while(keep_falls):
    def tried(best, table, most=INF):
        trial = Trial({(h, keep_falls): w for h, w in table.items()}, [(A, 5.0), (B, 20.0), (C, 60.0)])
        found = _with_heads_moved(trial, best, keep_falls=keep_falls, most=most)
        return found, [heads for heads, *_ in trial.asked], [limit for *_, limit in trial.asked], trial.worth

    held = works(100, ways=(30,))
    cheap, dear = works(15, ways=()), works(300)
    # held is good: the most promising heads alone
    assert tried(held, {A: cheap}) == (cheap, [A], [100.0], 70.0)
    assert tried(held, {A: dear}) == (held, [A], [100.0], 70.0)
    assert tried(held, {A: cheap}, most=40.0) == (cheap, [A], [40.0], 40.0)
    # not to be built so, wet or open: one after the other until one is an answer; those after it begin dearer
    for bad in (works(100, ways=(30,), buildable=False), works(100, dry=False), works(100, clear=False)):
        found, heads, limits, _ = tried(bad, {A: works(80, clear=False), B: works(50), C: works(10)})
        assert found.price == 50.0 and heads == [A, B]
        assert limits == ([100.0, 100.0] if _price(bad) == 100.0 else [INF, INF])
        # none is: all of them, and the best of what there is
        found, heads, _, _ = tried(bad, {each: works(80, clear=False, dry=False) for each in (A, B, C)})
        assert heads == [A, B, C] and found is bad
    # as dear as the least that the heads can come to: not tried, unless nobody can build what there is
    assert tried(works(20, ways=(15,)), {A: dear})[1] == []
    thin = works(20, ways=(15,), buildable=False)
    assert tried(thin, {A: works(300, clear=False), B: dear, C: dear})[:2] == (dear, [A, B])


def test_zones_whose_strips_meet_are_worked_together_and_no_more_than_so_many():
    zones = [Zone(f"Z{n}", BeamLine(x, 0, x + 10, 0), ()) for n, x in enumerate((0, 9, 18, 40, 49, 58, 67, 76))]
    for most, groups in ((4, [3, 4, 1]), (2, [2, 1, 2, 2, 1]), (9, [3, 5])):
        assert [len(group) for group in strip_groups(zones, 2.0, most)] == groups
    # as far as they reach to the sides: lines beside each other
    beside = [Zone("A", BeamLine(0, 0, 10, 0), ()), Zone("B", BeamLine(10, 5, 0, 5), ())]
    assert [len(group) for group in strip_groups(beside, 2.4)] == [1, 1]
    assert [len(group) for group in strip_groups(beside, 2.6)] == [2]
    assert strip_groups([], 2.0) == []


@pytest.mark.parametrize(
    ("held", "kept"),
    [
        # dry without ways for water: nothing to keep falls for
        (works(100), False),
        # with ways, and the falls cheaper: kept whatever is moved
        (works(100, ways=(40,)), True),
    ],
)
def test_heads_are_moved_with_falls_kept_where_that_was_found_cheaper(held, kept):
    trial = Trial({(NONE, False): held, (NONE, True): works(90), (A, kept): works(15)}, [(A, 5.0)])
    assert _cheapest(trial, INF).price == 15.0
    assert [asked[:2] for asked in trial.asked] == [(NONE, False), *([(NONE, True)] if kept else []), (A, kept)]


def test_strips_end_with_their_zones_and_do_not_reach_on_behind_a_post():
    one = Zone("A", BeamLine(0, 0, 10, 0), ())
    # apart by half a metre at either end, or over by as much; whichever way the other one runs
    for ends, groups in (((-0.5, -12), 2), ((10.5, 22), 2), ((9.5, 22), 1), ((0.5, -9), 1)):
        for first, last in (ends, ends[::-1]):
            other = Zone("B", BeamLine(first, 0, last, 0), ())
            assert len(strip_groups([one, other], 2.0)) == groups == len(strip_groups([other, one], 2.0))


@pytest.mark.parametrize(
    ("found", "asked", "price"),
    [
        # an answer with the heads that were found worth moving before: no others are looked for
        (works(90), [(A, False)], 90.0),
        # open, wet or not to be built: all that is looked for without that
        (works(90, clear=False), [(A, False), (NONE, False)], 70.0),
        (works(90, dry=False), [(A, False), (A, True), (NONE, False)], 70.0),
        (works(90, buildable=False), [(A, False), (NONE, False)], 70.0),
    ],
)
def test_a_second_look_keeps_to_the_heads_of_the_first_where_that_is_an_answer(monkeypatch, found, asked, price):
    kept = works(95, dry=False)
    trial = Trial({(A, False): found, (A, True): kept, (NONE, False): works(70)})
    trial.with_robustness = lambda best: best
    for one in (found, kept, *trial.table.values()):
        one.with_words = lambda one=one: one
    monkeypatch.setattr(zones, "ZoneGroup", lambda *given: trial)
    perimeter = SimpleNamespace(zones={}, neighbours=lambda name: [])
    surface = SimpleNamespace(strip_cells=lambda *given, **more: None)
    settings = GradeSettings(GradingRules(Prices()), {})
    member = [Zone("A", BeamLine(0, 0, 10, 0), ())]
    assert zones.grade_group(perimeter, surface, member, settings, heads=A).price == price
    assert [one[:2] for one in trial.asked] == asked


def three_cells(design):
    """Ground at 10 m on three cells of a quarter of a square metre, half a metre apart, and a design on them."""
    x, y = np.array([0.25, 0.75, 1.25]), np.zeros(3)
    strip = SimpleNamespace(x=x, y=y, cells=SimpleNamespace(ground=np.full(3, 10.0), area=0.25))
    return ZoneGrading((), strip, np.array(design), (), True, 1, "", None)


def test_volumes_are_of_what_lies_between_ground_and_design():
    """0.1 m off one cell and 0.3 m onto another."""
    graded = three_cells([9.9, 10.3, 10.0])
    assert graded.volumes() == pytest.approx((0.1 * 0.25, 0.3 * 0.25, 2 * 0.25, 0.3))
    assert graded.volumes(np.array([False, True, False])) == pytest.approx((0.0, 0.3 * 0.25, 0.25, 0.3))
    assert three_cells([10.0, 10.0, 10.0]).price == 0.0


def test_works_lie_on_another_strip_where_that_has_every_cell_that_is_worked():
    graded = three_cells([9.9, 10.3, 10.0])
    two = SimpleNamespace(x=graded.strip.x[:2], y=graded.strip.y[:2])
    assert graded.on(two) == pytest.approx([-0.1, 0.3])  # the third cell is not worked, so that it need not be there
    assert graded.on(SimpleNamespace(x=graded.strip.x[1:], y=graded.strip.y[1:])) is None
