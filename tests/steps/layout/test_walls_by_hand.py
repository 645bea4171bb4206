"""What a wall thinner than the look-up's cells takes from all beams about it, worked out on paper.

Red when a beam across the wall is left to be chosen later, one that passes it or is locked is barred, or the run that
the wall leaves a beam is measured from another place than its junction.
"""

from dataclasses import replace

import numpy as np
import pytest
from shapely import box

from geotools.steps.layout.candidate_nodes import Candidates, HeldNodes
from geotools.steps.layout.edgelist import Edges
from geotools.steps.layout.walls import Walls
from geotools.steps.layout.zone_rules import LayoutWeights
from tests.steps.layout.test_lines_by_hand import RULES

#: A wall of 0.1 m across the strip at 50 m, up to 1.5 m left of the line.
GROUND = box(0, -8, 100, 8) - box(49.95, -9, 50.05, 1.5)
PLACES = [(10, 0), (30, 0), (30, 4), (48, 0), (52, 0), (70, 0), (70, 4), (90, 0)]
SPANS = [(0, 1), (0, 3), (0, 5), (1, 3), (1, 5), (1, 6), (2, 3), (2, 6), (3, 5), (4, 5), (4, 7), (5, 7)]
PRICES = LayoutWeights(short_m=10.0)
#: Askew, from 30 m and 4 m aside to 48 m, what is left before the wall is longer.
ASKEW_M = 1.95 * np.hypot(18, 4) / 18
#: Of the 10 m past both junctions the look-up has seen that one metre is lacking.
SEEN = {(1, 3): 1.0}


def walls(*, closed=False, locked=(), longest_m=60.0):
    xy = np.array(PLACES, dtype=float)
    station = np.unique(xy[:, 0], return_inverse=True)[1]
    held = HeldNodes(spans=frozenset(locked))
    nodes = Candidates(xy, xy[:, 0] - 10, xy[:, 1], station, np.zeros(len(xy), bool), held)
    edges = Edges(len(SPANS))
    tail, head = np.array(SPANS).T
    lack = np.array([SEEN.get(span, 0.0) for span in SPANS])
    edges.add(tail, head, np.full(len(SPANS), 100.0), lack, np.zeros(len(SPANS)), np.zeros(len(SPANS)))
    rules = replace(RULES, extension_m=5.0, longest_m=longest_m)
    return Walls(nodes, edges, GROUND, rules, PRICES, closed)


def dearer(found):
    """What the zones cost more than at first, those alone that do."""
    return {span: cost - 100.0 for span, cost in zip(SPANS, found.edges.cost.tolist(), strict=True) if cost != 100.0}


NEVER = {(0, 5): np.inf, (1, 5): np.inf, (3, 5): np.inf}


@pytest.mark.parametrize("one", sorted(NEVER))
def test_with_a_beam_across_the_wall_all_others_across_it_are_barred(one):
    found = walls()
    found.refuse(SPANS.index(one))
    assert dearer(found) == NEVER


def test_what_is_barred_already_stays_so_and_bars_nothing_else():
    found = walls()
    found.edges.cost[SPANS.index((2, 6))] = np.inf
    found.refuse(SPANS.index((0, 5)))
    assert dearer(found) == NEVER | {(2, 6): np.inf}


def test_a_beam_refused_for_its_posts_takes_no_other_with_it():
    found = walls()
    found.refuse(SPANS.index((0, 1)))
    assert dearer(found) == {(0, 1): np.inf}


def test_a_locked_zone_across_the_wall_stays():
    found = walls(locked=[(1, 5), (4, 7)])
    found.refuse(SPANS.index((0, 5)))
    assert dearer(found) == {(0, 5): np.inf, (3, 5): np.inf}
    found.shorten(SPANS.index((0, 3)), 1.9)
    assert (4, 7) not in dearer(found)


def test_beams_farther_away_than_the_longest_are_not_looked_at():
    found = walls(longest_m=15.0)
    found.refuse(SPANS.index((3, 5)))
    assert dearer(found) == {(3, 5): np.inf}


def test_what_the_wall_takes_of_one_run_it_takes_of_all():
    found = walls()
    assert found.lacks(SPANS.index((0, 3)), 1.9) == pytest.approx(3.1)
    assert found.lacks(SPANS.index((1, 3)), 0.0) == pytest.approx(9.0)
    found.shorten(SPANS.index((0, 3)), 1.9)
    # an open line's own ends run on nowhere; from 48 m and back from 52 m it is 1.95 m to the wall
    expected = {(0, 3): 31.0, (1, 3): 10 * (9 - 6.95), (4, 5): 10 * (10 - 6.95), (4, 7): 10 * (5 - 1.95)}
    expected[2, 3] = 10 * (5 - ASKEW_M)
    assert dearer(found) == pytest.approx(expected)
    assert found.lacks(SPANS.index((4, 5)), 0.0) == pytest.approx(6.95)
    # the exact outline leaves one of them still less; the others have paid
    found.shorten(SPANS.index((1, 3)), 6.0)
    assert dearer(found) == pytest.approx(expected | {(1, 3): 10 * (9 - 6.0)})


def test_the_wall_behind_a_beams_start_is_found_too():
    found = walls()
    found.shorten(SPANS.index((4, 7)), 1.9)
    assert dearer(found)[4, 7] == pytest.approx(31.0)
    assert dearer(found)[4, 5] == pytest.approx(10 * (10 - 6.95))


def test_round_a_ring_every_junction_is_run_past():
    found = walls(closed=True)
    found.shorten(SPANS.index((0, 3)), 6.9)
    lost = 10 * (10 - 6.95)
    expected = {(0, 3): 31.0, (1, 3): 10 * (9 - 6.95), (4, 5): lost, (4, 7): lost, (2, 3): 10 * (5 - ASKEW_M)}
    assert dearer(found) == pytest.approx(expected)


def test_room_that_lacks_elsewhere_is_priced_alone():
    found = walls()
    found.shorten(SPANS.index((0, 1)), 3.0)
    assert dearer(found) == pytest.approx({(0, 1): 20.0})
