"""Which way is drawn between a step and an edge, and what zones without heads give: on graphs of a few nodes.

No beam is solved but where a level is asked for. Red when a way that is longer on the ground is drawn, or one that
stops short of the edge.
"""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine, StripGrid
from geotools.detection import height_search
from geotools.detection.cases import Case, Rules
from geotools.detection.crossing import Corridor
from geotools.detection.height_search import best_heights
from geotools.detection.level_ground import LEVEL
from geotools.detection.patch import Patch
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import find_spots
from geotools.detection.ways import Graph, build_graph, shortest_way
from geotools.plan.model import BeamPair, Zone

RULES = Rules(0.2, 1.0, 0.5, {"crawl": TARGETS["crawl"], "prone": TARGETS["prone"]})
LOW = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
MAIN = BeamPair("main", HEAD_TYPES["10 GHz"], 0.9, 0.8)


def graph_of(first, edges):
    return Graph(np.array(first), *(np.array([edge[side] for edge in edges]) for side in (0, 1)))


@pytest.mark.parametrize(
    ("aside", "way"),
    # over the one node at the side, or by four nodes straight on: 2 hypot(0.5, aside) against 1 m
    [(0.02, [0, 1, 2]), (0.0, [0, 1, 2]), (0.3, [0, 3, 4, 5, 2])],
)
def test_the_way_that_is_shortest_on_the_ground_is_taken_however_many_places_it_leads_over(aside, way):
    x = np.array([0.0, 0.5, 1.0, 0.25, 0.5, 0.75])
    y = np.array([0.0, aside, 0.0, 0.05, 0.05, 0.05])
    graph = graph_of([0, 6], [(0, 1), (1, 2), (0, 3), (3, 4), (4, 5), (5, 2)])
    ends = np.arange(6) == 2
    assert shortest_way(graph, x, y, np.ones(6, dtype=bool), 0, ends).tolist() == way


def test_a_way_that_leads_over_strips_further_on_is_found_and_none_is_an_error():
    """Five strips of one node each, one after the other; the edge is reached in the last one alone."""
    graph = graph_of(range(6), [(0, 1), (1, 2), (2, 3), (3, 4)])
    x, none = np.arange(5.0), np.zeros(5)
    last, allowed = np.arange(5) == 4, np.ones(5, dtype=bool)
    for start in range(5):
        assert shortest_way(graph, x, none, allowed, start, last).tolist() == list(range(start, 5))
    # of two edges the nearer one, in whichever direction it lies
    both = (np.arange(5) == 4) | (np.arange(5) == 0)
    assert shortest_way(graph, x, none, allowed, 1, both).tolist() == [1, 0]
    assert shortest_way(graph, x, none, allowed, 3, both).tolist() == [3, 4]
    near = (np.arange(5) == 4) | (np.arange(5) == 1)
    assert shortest_way(graph, x, none, allowed, 3, near).tolist() == [3, 4]
    assert shortest_way(graph, x, none, allowed, 2, near).tolist() == [2, 1]
    with pytest.raises(ValueError, match="no end"):
        shortest_way(graph, x, none, np.arange(5) != 3, 0, last)


@pytest.mark.parametrize("turned", [False, True])
def test_a_way_straight_across_that_ends_short_of_the_edge_is_led_on_to_it(turned):
    """Two rows of three places, all open; in the first one the left edge lies in another strip."""
    order = slice(None, None, -1) if turned else slice(None)
    made = Corridor.__new__(Corridor)
    made.shapes, made.graph = [(2, 3)], build_graph([(2, 3)], [])
    made.x, made.y = np.repeat([0.0, 1.0], 3), np.tile([-1.0, 0.0, 1.0][order], 2)
    made.is_right = np.tile([True, False, False][order], 2)
    made.is_left = ~made.is_right
    made.on_right = np.tile([True, False, False][order], 2)
    made.on_left = np.array([*[False] * 3, *[False, False, True][order]])
    every = np.ones(6, dtype=bool)

    def places(row):
        # the step from the right to the left, in the strip's own numbers
        right, left = (2, 1) if turned else (0, 1)
        way = made._way(every, 0, row, 3 * row + right, 3 * row + left)
        return list(zip(made.x[way].tolist(), made.y[way].tolist(), strict=True))

    assert places(1) == [(1.0, -1.0), (1.0, 0.0), (1.0, 1.0)]
    assert places(0) == [(0.0, -1.0), (0.0, 0.0), (1.0, 1.0)]


def test_a_zone_without_heads_gives_nothing_to_whomever_is_asked_about():
    zone = Zone("Z", BeamLine(0, 0, 6, 0), (), "F", 1)
    made = Perimeter([zone], LEVEL, RULES)
    shape = made.levels("Z").shape
    tall = replace(TARGETS["prone"], height_m=1.0)
    own, one = made.best([Case(zone, made.strip("Z")), Case(zone, made.strip("Z"), targets=[tall])])
    assert own.shape == (2, *shape) and one.shape == (1, *shape) and not own.any() and not one.any()
    assert made.dead("Z")["crawl"].all()


def test_the_standing_level_of_every_pair_of_heads_is_kept_once_it_is_solved():
    """What a pair gives without anybody there is its own, whichever zone and level it is asked of."""
    zones = [
        Zone("A", BeamLine(0, 0, 12, 0), (LOW, MAIN), "F", 1),
        Zone("B", BeamLine(11, 0, 31, 0), (MAIN,), "F", 2),
    ]
    made = Perimeter(zones, LEVEL, RULES)
    made.solve_all()
    assert set(made.standing_db) == {("A", "low"), ("A", "main"), ("B", "main")}
    for zone in zones:
        for pair in zone.pairs:
            alone = replace(zone, pairs=(pair,))
            ((found,),) = made.responses([Case(alone, made.strip(zone.zone_id))])
            assert made.standing_db[zone.zone_id, pair.level] == pytest.approx(found.standing_level_db, abs=1e-6)
    assert len({round(level, 3) for level in made.standing_db.values()}) == 3


def test_a_spot_is_measured_over_its_own_stations_alone():
    """Stations 3 to 5 of a strip; the way through 6, which is detected, has a far deeper gap and one at 2 too."""
    grid = StripGrid.over(BeamLine(0, 0, 12, 0), 2.0, 1.0)
    stations = np.full(13, 0.5)
    stations[3:6] = 0.12, 0.08, 0.1
    floor = np.full((13, 5), 0.2)
    floor[[2, 6]] = 1.4
    floor[4, 3] = 0.3
    steps = np.column_stack([5 * np.arange(13) + 3, 5 * np.arange(13) + 2])
    patch = Patch("Z", grid, np.zeros((13, 5)), np.repeat(stations[:, None], 5, axis=1)[None], floor)
    (spot,) = find_spots(patch, 0, stations, steps, 0.2)
    assert spot.rows == (3, 5) and spot.modulation == 0.08
    # the lower of both places of a step, the largest of those of the spot
    assert spot.crawl_gap_m == pytest.approx(0.2)
    floor[4, 2] = 0.25
    assert find_spots(patch, 0, stations, steps, 0.2)[0].crawl_gap_m == pytest.approx(0.25)
    assert find_spots(patch, 0, np.full(13, 0.2), steps, 0.2) == []


def test_heads_may_move_within_their_limits_and_stay_where_they_are_in_any_case(monkeypatch):
    monkeypatch.setattr(height_search, "search_heights", lambda lengths, now, limits: (now, limits))
    made = Perimeter([Zone("A", BeamLine(0, 0, 12, 0), (LOW, MAIN), "F", 1)], LEVEL, RULES)
    for limits, wanted in (((0.2, 1.0), (0.2, 1.0)), ((0.5, 1.0), (0.3, 1.0)), ((0.1, 0.2), (0.1, 0.3))):
        assert best_heights(made, "A", "low", limits) == ((0.3, 0.3), wanted)
    assert best_heights(made, "A", "main", (0.85, 0.86)) == ((0.9, 0.8), (0.8, 0.9))
