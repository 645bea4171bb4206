"""Beams that several items ask for are solved together, and each item gets its own answers."""

import threading

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, Beam, solve_beams
from geotools.beam.response import ResponseRequest
from geotools.beam.strip import Strip
from geotools.engine import batching as meeting
from geotools.engine.batching import Batching
from geotools.errors import NumericInputError

CHAINAGE = np.arange(0.0, 40.01, 0.5)


def beam(height_m: float, bump_m: float = 0.05) -> Beam:
    return Beam(HEAD_TYPES["10 GHz"], CHAINAGE, bump_m * np.sin(CHAINAGE / 5.0), height_m, height_m)


@pytest.fixture
def rounds(monkeypatch):
    """Numbers of beams that were solved in one go, a list that grows."""
    seen = []
    solve = meeting.look_at

    def counted(asked):
        seen.append(len(asked))
        return solve(asked)

    monkeypatch.setattr(meeting, "look_at", counted)
    return seen


def look(one: Beam) -> ResponseRequest:
    offsets = np.array([-0.5, 0.0, 0.5])
    strip = Strip(CHAINAGE, offsets, np.asarray(one.ground_m)[:, None] + 0.0 * offsets)
    return ResponseRequest(strip, ((TARGETS["prone"], 0.0),))


def levels(meet: Batching, beams: list[Beam]) -> list[float]:
    return [seen.standing_level_db for seen in meet.look_at([(one, look(one)) for one in beams])]


def test_items_that_ask_at_once_are_solved_at_once(rounds):
    meet, heights = Batching(), [0.3, 0.5, 0.7, 0.9]
    answers = list(meet.map(lambda h: levels(meet, [beam(h), beam(h, 0.1)]), heights))
    assert rounds == [8]
    for h, answer in zip(heights, answers, strict=True):
        alone = [field.standing_level_db for field in solve_beams([beam(h), beam(h, 0.1)])]
        assert answer == pytest.approx(alone, abs=1e-3)


def test_items_may_ask_differently_often(rounds):
    meet = Batching()

    def work(times: int) -> list[float]:
        return [levels(meet, [beam(0.4 + 0.05 * i)])[0] for i in range(times)]

    answers = list(meet.map(work, [0, 3, 1, 2]))
    assert [len(a) for a in answers] == [0, 3, 1, 2]
    assert rounds == [3, 2, 1]
    assert answers[1][:2] == answers[3]


def test_more_items_than_are_worked_on_at_once(rounds, monkeypatch):
    monkeypatch.setattr(meeting, "_PARTIES", 3)
    meet = Batching()
    heights = [0.3 + 0.05 * i for i in range(8)]
    answers = list(meet.map(lambda h: levels(meet, [beam(h)])[0], heights))
    assert sum(rounds) == 8
    assert max(rounds) == 3
    assert answers == pytest.approx([levels(meet, [beam(h)])[0] for h in heights], abs=1e-3)


def test_answers_are_the_same_to_the_last_bit_every_time():
    def once() -> list[bytes]:
        meet = Batching()

        def work(h: float) -> bytes:
            first, second = (meet.look_at([(one, look(one))])[0] for one in (beam(h), beam(h + 0.1)))
            return first.modulation.tobytes() + second.modulation.tobytes()

        return list(meet.map(work, [0.3 + 0.03 * i for i in range(20)]))

    assert once() == once()


def test_only_the_item_with_the_bad_beam_hears_of_it():
    meet = Batching()
    answers = meet.map(lambda h: levels(meet, [beam(h)])[0], [0.5, -1.0, 0.7])
    assert np.isfinite(next(answers))
    with pytest.raises(NumericInputError, match="transmitter"):
        next(answers)


def test_an_item_that_fails_does_not_hold_up_the_others():
    meet = Batching()

    def work(h: float) -> float:
        if h == 0.6:
            raise ValueError("broken")
        return levels(meet, [beam(h)])[0]

    before = threading.active_count()
    answers = meet.map(work, [0.5, 0.6, 0.7])
    assert np.isfinite(next(answers))
    with pytest.raises(ValueError, match="broken"):
        list(answers)
    assert threading.active_count() == before


def test_outside_of_the_map_a_beam_is_solved_by_itself(rounds):
    assert np.isfinite(levels(Batching(), [beam(0.5)])[0])
    assert rounds == [1]
    assert list(Batching().map(lambda h: h, [])) == []


def test_a_beam_that_is_asked_several_things_is_solved_once(monkeypatch):
    marched = []
    solve = meeting.solve_batch

    def counted(batch, uses):
        marched.extend(batch.places)
        return solve(batch, uses)

    monkeypatch.setattr(meeting, "solve_batch", counted)
    one, other = beam(0.4), beam(0.9)
    strip, bodies = look(one).strip, [((TARGETS[name], 0.0),) for name in ("prone", "crawl")]
    asked = [(b, ResponseRequest(strip, who)) for who in bodies for b in (one, other)]
    # an equal beam that is another object is no more than a beam of its own
    found = Batching().look_at([*asked, (beam(0.4), asked[0][1])])
    assert len(marched) == 3
    for answer, (b, request) in zip(found, [*asked, asked[0]], strict=True):
        wanted = request(solve_beams([b])[0])
        assert answer.modulation == pytest.approx(wanted.modulation, abs=1e-5)
    assert np.abs(found[0].modulation - found[2].modulation).max() > 0.05
