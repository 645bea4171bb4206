"""What draws say of known spots, where else somebody may get through, and what is asked of a surveyor: by hand.

No beam is solved. Red when a spot is counted twice, a place is forgotten, or a question is put that is settled.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.detection import certainty
from geotools.detection.accuracy import Accuracy

#: Thirty stations a metre apart, five nodes across; twenty worlds.
COUNT, WORLDS = 30, 20
RNG = np.random.default_rng(8)
OWN = [{"prone": RNG.uniform(0.0, 0.5, (COUNT, 5))} for _ in range(WORLDS)]
COVER = {"prone": RNG.uniform(0.0, 0.5, (COUNT, 5))}


def judged(monkeypatch, dead_in, spots, correlation=4.0, counted=None):
    """What is said, and what is asked."""
    asked = []
    monkeypatch.setattr(certainty, "choose_points", lambda questions, *given: asked.extend(questions) or [])
    perimeter = SimpleNamespace(
        grids={"Z": SimpleNamespace(chainage_m=np.arange(float(COUNT)), offset_m=np.linspace(-2.0, 2.0, 5))},
        counted=lambda _: np.ones(COUNT, dtype=bool) if counted is None else counted,
        cover=lambda _: COVER,
    )
    worlds = SimpleNamespace(
        worlds=OWN, dead_in=[{"prone": flags} for flags in dead_in], line_error_m=np.zeros((WORLDS, COUNT))
    )
    unknowns = SimpleNamespace(survey=Accuracy(0.05, correlation_m=correlation))
    return certainty.judge_zone(perimeter, "Z", {"prone": spots}, unknowns, worlds), asked


def flags(*stretches):
    """In each of the worlds, dead at stations first to last in so many of them."""
    made = np.zeros((WORLDS, COUNT), dtype=bool)
    for first, last, worlds in stretches:
        made[:worlds, first : last + 1] = True
    return made


def test_a_spot_is_as_likely_as_worlds_in_which_any_of_its_stations_is_dead(monkeypatch):
    dead = flags((4, 5, 12), (20, 20, 20))
    dead[15, 6] = True
    said, asked = judged(monkeypatch, dead, [(4, 6), (20, 21), (25, 26)])
    assert said.probability["prone"] == [13 / 20, 1.0, 0.0]
    assert said.open_share["prone"] == pytest.approx(dead.mean(axis=0))
    # what is certain either way is not asked; a spot is asked in pieces of half the reach of an error
    assert [(one.spot, one.rows) for one in asked] == [(0, (4, 6))]
    (one,) = asked
    wanted = [max(own["prone"][row, 2], COVER["prone"][row, 2]) for own in OWN for row in (4, 5, 6)]
    assert one.answer == pytest.approx(np.array(wanted).reshape(WORLDS, 3).min(axis=1))


def test_places_that_are_possible_elsewhere_lie_clear_of_known_spots(monkeypatch):
    dead = flags((0, 3, 5), (8, 10, 5), (16, 17, 5), (19, 19, 5), (27, 29, 5))
    said, asked = judged(monkeypatch, dead, [(0, 1)], correlation=3.0)
    # two stations on either side of the spot are its own; what lies closer than the reach is one place
    assert said.possible["prone"] == [(8, 10), (16, 19), (27, 29)]
    assert [one.spot for one in asked if one.rows[0] >= 8] == [None] * len([one for one in asked if one.rows[0] >= 8])
    assert {row for one in asked for row in range(one.rows[0], one.rows[1] + 1)} == {
        0,
        1,
        8,
        9,
        10,
        16,
        17,
        18,
        19,
        27,
        28,
        29,
    }
    said, _ = judged(monkeypatch, dead, [(9, 9), (28, 28)], correlation=1.0)
    assert said.possible["prone"] == [(0, 3), (16, 17), (19, 19)]


def test_a_place_is_possible_from_one_world_in_twenty_on_and_only_where_the_chain_runs(monkeypatch):
    dead = flags((5, 6, 1), (20, 21, 2))
    counted = np.arange(COUNT) < 21
    said, _ = judged(monkeypatch, dead, [], counted=counted)
    assert said.possible["prone"] == [(5, 6), (20, 20)]
    dead[0, 5] = False
    assert judged(monkeypatch, dead, [], counted=counted)[0].possible["prone"] == [(6, 6), (20, 20)]
