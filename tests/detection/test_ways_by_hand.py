"""The way that is drawn over a weakest place, and the cause that is named for it: by hand. No beam is solved.

Red when a way runs elsewhere than through the middle of the first weak stretch, or a cause is named of another case.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely import Polygon, box

from geotools.corridor import BeamLine, StripGrid
from geotools.detection.causes import Suspect, _lift, _name, _of_the_heads, causes
from geotools.detection.crossing import Corridor
from geotools.detection.spots import outline
from geotools.detection.topology import Topology

LINE = BeamLine(0, 0, 12, 0)


def way_over(best, line=LINE, forward=True):
    found = Corridor(Topology([StripGrid.over(line, 2.0, 1.0)], [forward], False)).threat([best], (0,))
    return found.ways[0], found.weakest[0]


@pytest.mark.parametrize(
    ("rows", "at"), [((3, 4, 5), 4), ((3, 4, 5, 6), 5), ((2, 6, 7, 8), 2), ((2, 3, 4, 9), 3), ((10, 11, 12), 11)]
)
def test_the_way_drawn_leads_straight_over_the_middle_of_the_first_weakest_stretch(rows, at):
    best = np.full((13, 5), 0.9)
    best[list(rows)] = 0.25
    way, weakest = way_over(best)
    assert weakest == 0.25
    assert way.tolist() == [[at, side] for side in (-2, -1, 0, 1, 2)]


def test_a_chain_solved_from_its_other_end_is_crossed_from_the_same_side():
    best = np.full((13, 5), 0.9)
    best[[3, 4, 5]] = 0.25
    way, _ = way_over(best[::-1, ::-1], LINE.reversed(), forward=False)
    assert way == pytest.approx(np.array([[4.0, side] for side in (-2, -1, 0, 1, 2)]))


def test_no_way_is_drawn_where_none_is_asked_for_or_none_leads_over():
    corridor = Corridor(Topology([StripGrid.over(LINE, 2.0, 1.0)], [True], False))
    found = corridor.threat([np.full((13, 5), 0.3)], ())
    assert found.ways[0].shape == (0, 2) and found.weakest == [0.3]
    # from one end of a strip to the other is not over it
    wall = np.full((13, 5), 0.1)
    wall[:, 2] = np.inf
    shut = corridor.threat([wall], (0,))
    assert shut.ways[0].shape == (0, 2) and shut.weakest == [np.inf]


def test_a_way_that_is_not_straight_goes_by_the_open_places_alone():
    best = np.full((13, 5), 0.9)
    for row, column in ((4, 0), (5, 1), (5, 2), (6, 3), (7, 4)):
        best[row, column] = 0.1
    way, weakest = way_over(best)
    assert weakest == 0.1
    assert way.tolist() == [[4, -2], [5, -1], [5, 0], [6, 1], [7, 2]]


def test_a_spot_reaches_half_a_spacing_past_its_open_places_and_no_farther_than_the_strip():
    """Rows 4 to 6 of a strip of 12 m by 4 m, nodes a metre apart; in each row to the first place that is shut."""
    grid = StripGrid.over(LINE, 2.0, 1.0)
    opened = np.zeros((13, 5), dtype=bool)
    opened[4, 2:4] = opened[5, :] = opened[6, 1:3] = True
    opened[6, 4] = True
    # by row: to the left 1.5, the edge, 0.5; to the right -0.5, the edge, -1.5
    corners = [
        (3.5, -0.5),
        (4, -0.5),
        (5, -2),
        (6, -1.5),
        (6.5, -1.5),
        (6.5, 0.5),
        (6, 0.5),
        (5, 2),
        (4, 1.5),
        (3.5, 1.5),
    ]
    assert outline(grid, opened, 4, 6).equals(Polygon(corners))
    # at the posts it ends with the zone
    opened[0:2, 2] = True
    assert outline(grid, opened, 0, 1).equals(box(0.0, -0.5, 1.5, 0.5))


@pytest.mark.parametrize(
    ("level_db", "times"),
    # below -10 dB what is missing to 0.3 of free space, ten times at most
    [
        (-9.9, 1.0),
        (-10.0, 1.0),
        (-10.001, 1.0),
        (-12.0, 0.3 * 10**0.6),
        (-20.0, 3.0),
        (-30.0, 0.3 * 10**1.5),
        (-60, 10),
    ],
)
def test_a_beam_in_a_null_is_lifted_to_three_tenths_of_free_space(level_db, times):
    assert _lift(level_db) == pytest.approx(times)


def named(shape, worlds, spot=(8, 12), turns=(np.nan, np.nan)):
    """The cause over 40 m of a ground whose centre line has this height at chainages, in worlds dead or not there."""
    x = np.arange(0.0, 41.0)
    level = 7.0 + 0.05 * x[:, None] + shape(x)[:, None] + np.zeros((41, 5))
    grid = StripGrid(BeamLine(0, 0, 40, 0), x, np.linspace(-2.0, 2.0, 5))
    made = SimpleNamespace(grids={"Z": grid}, levels=lambda _: level)
    flags = []
    for share in worlds:
        dead = np.zeros(41, dtype=bool)
        dead[spot[0] : spot[0] + round(share * (spot[1] + 1 - spot[0]))] = True
        flags.append(dead)
    return _name(made, Suspect("Z", "prone", (spot,), turns), spot, tuple(flags))


def level(x):
    return 0.0 * x


def dip(x):
    return -0.5 * np.exp(-(((x - 10.0) / 3.0) ** 2))


def crest(x):
    return -dip(x)


#: Dead share of the spot with the null lifted, dips filled, crests cut, the ground straight.
CASES = [
    (dip, (1, 0, 1, 0), "dip"),
    (crest, (1, 1, 0, 0), "shadow"),
    (dip, (1, 0.4, 0.2, 0), "shadow"),
    (crest, (1, 0.2, 0.4, 0), "dip"),
    # neither alone is enough: what lies there decides
    (dip, (1, 1, 1, 0), "dip"),
    (crest, (1, 1, 1, 0), "shadow"),
    # without its null it is gone, and nothing done to the ground helps
    (dip, (0.2, 1, 1, 0), "standing_null"),
    (dip, (0.2, 0.4, 1, 0), "dip"),
    (dip, (0.8, 1, 1, 0), "dip"),
    (dip, (0, 1, 1, 1), "standing_null"),
    (level, (0, 1, 1, 1), "standing_null"),
    # straight ground is dead too: the heads' own
    (dip, (1, 1, 1, 1), "near_head"),
    (level, (1, 1, 1, 0), "near_head"),
    (lambda x: 0.03 * dip(x), (1, 0, 1, 0), "near_head"),
    (lambda x: 0.05 * dip(x), (1, 0, 1, 0), "dip"),
]


@pytest.mark.parametrize(("shape", "worlds", "cause"), CASES)
def test_a_cause_is_what_takes_the_spot_away(shape, worlds, cause):
    assert named(shape, worlds) == cause


@pytest.mark.parametrize(
    ("length", "spot", "turns", "cause"),
    [
        # nearer than 15 m, or a quarter of a short zone
        (100.0, (10, 19), (np.nan, 90.0), "near_head"),
        (100.0, (10, 21), (np.nan, 90.0), "range"),
        (100.0, (79, 90), (90.0, np.nan), "range"),
        (100.0, (81, 90), (90.0, np.nan), "near_head"),
        (40.0, (8, 11), (14.0, 90.0), "junction"),
        (40.0, (8, 13), (14.0, 90.0), "range"),
        (100.0, (0, 2), (16.0, 0.0), "corner"),
        (100.0, (0, 2), (15.0, 90.0), "junction"),
        (100.0, (97, 100), (90.0, 14.0), "junction"),
        (100.0, (97, 100), (0.0, 16.0), "corner"),
    ],
)
def test_what_is_the_heads_own_is_named_by_how_near_the_end_it_lies_and_what_follows(length, spot, turns, cause):
    assert _of_the_heads(np.arange(length + 1.0), Suspect("Z", "prone", (spot,), turns), spot) == cause


@pytest.mark.parametrize(
    ("shape", "met", "cause"),
    [
        # 0.1 is met as it is; what alarms is that with dips filled, with crests cut, or with the ground straight alone
        (dip, (0.1, 0.3, 0.1, 0.3), "dip"),
        (crest, (0.1, 0.1, 0.3, 0.3), "shadow"),
        (level, (0.1, 0.1, 0.1, 0.1), "near_head"),
    ],
)
def test_every_world_of_a_cause_is_answered_by_what_its_own_ground_gives(shape, met, cause):
    """A beam's null is lifted in the first world alone: elsewhere what is met is taken as it is."""
    x = np.arange(0.0, 41.0)
    ground = shape(x)[:, None] + np.zeros((41, 5))
    perimeter = SimpleNamespace(
        zones={"Z": None},
        rules=SimpleNamespace(targets={"prone": None}),
        grids={"Z": StripGrid(BeamLine(0, 0, 40, 0), x, np.linspace(-2.0, 2.0, 5))},
        levels=lambda _: ground,
        strip=lambda _: ground,
        responses=lambda cases: [
            [SimpleNamespace(modulation=np.full((1, 41, 5), one), standing_level_db=0.0 if n == 0 else -20.0)]
            for n, one in enumerate(met)
        ],
        dead=lambda _, own: {"prone": own["prone"].max(axis=1) < 0.2},
    )
    assert causes(perimeter, [Suspect("Z", "prone", ((8, 12),), (np.nan, np.nan))]) == [[cause]]
