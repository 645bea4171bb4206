"""Places to survey again, limits of heights, and how far along the chain a way across is looked for. By hand.

No beam is solved. Red when a level is called for that settles nothing, a place is explained by what it does not
explain, or a way that winds along three neighbours is lost.
"""

import numpy as np
import pytest
from scipy.linalg import hadamard

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection import resurvey
from geotools.detection.accuracy import PER_95, Accuracy
from geotools.detection.cases import Rules
from geotools.detection.crossing import Corridor
from geotools.detection.envelope import swept
from geotools.detection.height_search import search_heights
from geotools.detection.level_ground import LEVEL
from geotools.detection.perimeter import Perimeter
from geotools.detection.resurvey import Question, choose_points
from geotools.errors import SiteError
from geotools.plan.model import BeamPair, Zone
from tests.detection.test_perimeter_by_hand import ZONES, perimeter

AT = np.arange(0.0, 60.0, 1.0)
SURVEY = Accuracy(0.05, correlation_m=4.0)


def errors(worlds=4000):
    """Errors of neighbouring stations that have nothing to do with each other, of one size."""
    return np.random.default_rng(3).normal(0.0, 0.05, (worlds, AT.size))


def test_a_level_is_called_for_where_the_worlds_say_the_answer_hangs_on_it():
    error = errors()
    # the answer follows the ground 9 m farther along, and that under the stretch not at all
    asked = Question("prone", 2, (20, 20), 0.2 + 3.0 * error[:, 29])
    found = choose_points([asked], error, AT, SURVEY)
    assert [one.chainage_m for one in found] == [20.0, 29.0]
    assert [one.explains for one in found] == pytest.approx([0.0, 1.0], abs=0.01)
    assert {(one.threat, one.spot) for one in found} == {("prone", 2)}
    # halves of the answer by two stations: the square of the correlation is a half for either
    both = Question("prone", None, (29, 29), error[:, 29] - error[:, 41])
    shares = {one.chainage_m: one.explains for one in choose_points([both], error, AT, SURVEY)}
    assert shares[29.0] == pytest.approx(0.5, abs=0.03) == shares[41.0]
    # as much of it whatever the unit of the answer, and nothing of one that does not move
    tiny = Question("prone", 2, (29, 29), 1e-4 * error[:, 29])
    assert choose_points([tiny], error, AT, SURVEY)[0].explains == pytest.approx(1.0)
    still = choose_points([Question("prone", 2, (29, 29), np.full(4000, 0.3))], error, AT, SURVEY)
    assert [(one.chainage_m, one.explains) for one in still] == [(29.0, 0.0)]


def test_no_level_is_called_for_where_it_would_be_no_better_than_the_survey():
    """A level is good to two centimetres (95 %): beside a survey good to half a millimetre it tells nothing."""
    error = errors()
    asked = [Question("prone", 1, (20, 24), error[:, 22])]
    assert choose_points(asked, error, AT, Accuracy(0.0005 / PER_95, correlation_m=4.0)) == []
    assert choose_points(asked, error, AT, Accuracy(0.0, correlation_m=4.0)) == []
    assert choose_points([], error, AT, SURVEY) == []
    assert len(choose_points(asked, error, AT, SURVEY)) >= 1


def test_one_level_settles_two_questions_beside_it_and_the_dead_spot_is_named_first():
    error = errors()
    near = [
        Question("crawl", None, (30, 30), error[:, 30]),
        Question("prone", 4, (30, 30), error[:, 30]),
        Question("walk", None, (30, 30), error[:, 30]),
    ]
    (one,) = choose_points(near, error, AT, SURVEY)
    assert (one.threat, one.spot, one.chainage_m) == ("prone", 4, 30.0)
    far = [*near, Question("walk", None, (50, 50), error[:, 50])]
    assert [(p.threat, p.spot, p.chainage_m) for p in choose_points(far, error, AT, SURVEY)] == [
        ("prone", 4, 30.0),
        ("walk", None, 50.0),
    ]


@pytest.mark.parametrize("limits", [(0.0, 1.0), (-0.2, 1.0), (1.2, 1.1)])
def test_heights_at_or_below_the_ground_and_limits_the_wrong_way_round_are_refused(limits):
    with pytest.raises(SiteError, match="contradict"):
        search_heights(lambda pairs: [0.0] * len(pairs), (0.5, 0.5), limits)


def test_limits_that_leave_one_height_are_kept():
    found = search_heights(lambda pairs: [5.0 - a for a, _ in pairs], (0.5, 0.5), (0.5, 0.5))
    assert (found.tx_height_m, found.rx_height_m, found.dead_length_m) == (0.5, 0.5, 4.5)
    assert found.tried.tolist() == [[0.5, 0.5, 4.5]]


def test_stations_that_nobody_steps_over_have_no_step():
    made = perimeter(4)
    topology, _ = made.topology("Z1")
    best = [made.seen(zone.zone_id)["prone"] for zone in ZONES]
    found = Corridor(topology).threat(best, {0, 1, 2})
    some = 0
    for place, (station, step) in enumerate(zip(found.stations, found.steps, strict=True)):
        none = np.isinf(station)
        assert (step[none] == -1).all() and (step[~none] >= 0).all()
        assert (step < topology.grids[place].chainage_m.size * topology.grids[place].offset_m.size).all()
        some += int(none.sum())
    assert some > 0
    nothing = Corridor(topology).threat([np.full(b.shape, np.inf) for b in best], {0})
    assert all(np.isinf(one).all() for one in nothing.stations) and all(len(way) == 0 for way in nothing.ways)


PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
#: Nine zones in line, 10 m each, taking over from each other in the middle of an overlap of 1 m.
ROW = [Zone(f"R{n}", BeamLine(9.0 * n, 0.0, 9.0 * n + 10.0, 0.0), (PAIR,), "F", n) for n in range(9)]


def winding(into, over):
    """In at the right edge in one zone, along its right side, and over the line in another one; the rest is detected.

    It meets 0.01, and 0.05 where it comes in, if that is in another zone than the one that is crossed.
    """
    made = Perimeter(ROW, LEVEL, Rules(0.2, 1.0, 0.5, {"prone": TARGETS["prone"]}))
    first, last = 9.0 * into + 5.0, 9.0 * over + 5.0
    for zone in ROW:
        x, y = made.grids[zone.zone_id].map_xy()
        along = (np.abs(y + 0.5) < 0.01) & (x >= min(first, last) - 0.01) & (x <= max(first, last) + 0.01)
        enter = (y <= -0.49) & (np.abs(x - first) < 0.01)
        leave = (y >= -0.51) & (np.abs(x - last) < 0.01)
        met = np.where(along | leave, 0.01, np.where(enter, 0.01 if into == over else 0.05, 0.5))
        made.hold(zone.zone_id, {"prone": met})
    return made


@pytest.mark.parametrize(("into", "over"), [(4, 4), (3, 4), (1, 4), (7, 4), (0, 4), (8, 4), (2, 5), (0, 3)])
def test_a_way_may_come_from_three_zones_before_or_behind(into, over):
    """As the engine states it: zones before and after one that ways across it may use, three."""
    made = winding(into, over)
    dead = {zone.zone_id: made.dead(zone.zone_id)["prone"] for zone in ROW}
    found = [name for name, flags in dead.items() if flags.any()]
    assert found == ([f"R{over}"] if abs(into - over) <= 3 else [])
    if found:
        assert made.grids[found[0]].chainage_m[dead[found[0]]].tolist() == [5.0]
        # what decides may be met on a neighbour's nodes alone
        assert made.weakest(found[0]) == pytest.approx(0.01 if into == over else 0.05)
        own = made.own(found[0])
        for most in (0.005, 0.03, 0.2):
            wanted = min(most, 0.01 if into == over else 0.05)
            assert made.weakest_of(found[0], "prone", own, most) == pytest.approx(wanted)
    else:
        assert made.weakest(f"R{over}") == pytest.approx(0.5)


def test_who_sways_at_the_edge_of_a_strip_meets_the_edges_own_level_and_no_more():
    """Levels that rise by 1 a node along and by 0.1 across; half a node of sway along, a quarter across."""
    level = np.arange(5.0)[:, None] + 0.1 * np.arange(4.0)
    found = swept(level, 2.0, (0.5, 1.0), 0.25)
    more_along = np.array([0.5, 0.5, 0.5, 0.5, 0.0])[:, None]
    more_across = 0.1 * np.array([0.25, 0.25, 0.25, 0.0])
    assert found.highest == pytest.approx(level + more_along + more_across)
    assert found.lowest == pytest.approx(level - more_along[::-1] - more_across[::-1])
    assert found.quiet == 2.0
    # one row alone has no neighbours
    assert swept(level[:1], 2.0, (0.5, 1.0), 0.25).highest == pytest.approx(level[:1] + more_across)


def test_an_answer_that_does_not_move_is_explained_by_nothing():
    still = choose_points([Question("prone", 2, (29, 29), np.full(4000, 0.25))], errors(), AT, SURVEY)
    assert [(one.chainage_m, one.explains) for one in still] == [(29.0, 0.0)]


def apart(stations=60):
    """Errors of stations that have exactly nothing to do with each other, of one size: columns of a Hadamard matrix."""
    return 0.05 * hadamard(64)[:, 1 : stations + 1].astype(float)


def test_a_level_between_two_places_takes_more_than_one_at_either(monkeypatch):
    """The answer hangs on 28 m and 32 m alike, errors go together over 4 m; a level takes its correlation squared.

    From halfway exp(-2 / 4) of the variance at both, 0.61; from either end all of it there and exp(-2) at the other,
    0.57 together.
    """
    error = apart()
    asked = Question("prone", 1, (28, 28), error[:, 28] + error[:, 32])
    monkeypatch.setattr(resurvey, "_MOST_POINTS", 1)
    assert [one.chainage_m for one in choose_points([asked], error, AT, SURVEY)] == [30.0]


def test_ground_that_every_world_has_alike_explains_nothing():
    """Where something is built the survey's errors are none: all worlds agree there."""
    error = apart()
    error[:, 40:] = 0.0
    found = choose_points([Question("prone", 1, (29, 29), error[:, 29])], error, AT, SURVEY)
    assert [(one.chainage_m, one.explains) for one in found] == [(29.0, 1.0)]


def test_heights_are_tried_to_a_tenth_of_a_millimetre():
    """Between 0.3 m and 0.7001 m lies half of a tenth of a millimetre."""
    found = search_heights(lambda pairs: [1.0 + a + 2.0 * b for a, b in pairs], (0.7, 0.7), (0.3, 0.7001))
    assert (np.abs(1e4 * found.tried[:, :2] - np.rint(1e4 * found.tried[:, :2])) < 1e-6).all()
    assert (found.tx_height_m, found.rx_height_m) == (0.3, 0.3)
