"""Answers that were given before: the same as those of a new solve, and of nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, Beam
from geotools.beam.response import ResponseRequest, StripResponse
from geotools.beam.strip import Strip
from geotools.engine import batching
from geotools.engine.remembered import Remembered

X = np.linspace(0.0, 30.0, 61)
OFFSETS = np.array([-1.0, 0.0, 1.0])


def question(dip_m=0.1, height_m=0.3, targets=("prone",), name=""):
    ground = -dip_m * np.exp(-(((X - 15.0) / 2.0) ** 2))
    strip = Strip(X, OFFSETS, np.repeat(ground[:, None], 3, axis=1))
    beam = strip.beam(HEAD_TYPES["24 GHz"], height_m, height_m, name=name)
    return beam, ResponseRequest(strip, tuple((TARGETS[t], 0.0) for t in targets))


def counted(monkeypatch):
    solved = []

    def look(asked):
        solved.append(len(asked))
        return REAL(asked)

    monkeypatch.setattr(batching, "look_at", look)
    return solved


REAL = batching.look_at


def test_a_question_is_solved_once_and_answered_the_same(monkeypatch):
    solved = counted(monkeypatch)
    meeting = batching.Batching()
    meeting.remembered = Remembered(10_000_000)
    first = meeting.look_at([question(), question(dip_m=0.2)])
    # built anew, in another order, one of them twice, under another name, and beside one that is new
    again = meeting.look_at([question(dip_m=0.2), question(name="B"), question(), question(dip_m=0.3)])
    assert solved == [2, 1]
    for old, new in ((first[1], again[0]), (first[0], again[1]), (first[0], again[2])):
        assert np.array_equal(old.modulation, new.modulation)
    plain = REAL([question(dip_m=0.3)])[0]
    assert np.abs(plain.modulation - again[3].modulation).max() < 1e-4
    assert not np.array_equal(first[0].modulation, first[1].modulation)
    with pytest.raises(ValueError, match="read-only"):
        first[0].modulation[...] = 0.0


def test_whatever_an_answer_hangs_on_makes_another_question():
    beam, asked = question()
    strip = asked.strip
    target = TARGETS["prone"]
    key = Remembered.key
    others = [
        (replace(beam, tx_height_m=0.31), asked),
        (replace(beam, rx_height_m=0.31), asked),
        (replace(beam, tx_tilt_deg=0.1), asked),
        (replace(beam, rx_pan_deg=0.1), asked),
        (replace(beam, polarisation="vertical"), asked),
        (replace(beam, polarisation="vertical", ground_permittivity=5.0), asked),
        (replace(beam, head_type=HEAD_TYPES["10 GHz"]), asked),
        (replace(beam, coarse=True), asked),
        (replace(beam, detail_m=(X, 0 * X)), asked),
        (replace(beam, ground_m=np.asarray(beam.ground_m) + 1e-9), asked),
        (beam, replace(asked, silhouettes=((target, 0.05),))),
        (beam, replace(asked, silhouettes=((replace(target, width_m=target.width_m + 0.01), 0.0),))),
        (beam, replace(asked, floor=(0.5, 0.2))),
        (beam, replace(asked, level=True)),
        (beam, replace(asked, strip=replace(strip, offset_m=OFFSETS * 1.1))),
        (beam, replace(asked, strip=replace(strip, ground_m=strip.ground_m + 1e-9))),
        (beam, replace(asked, strip=replace(strip, drop_m=np.zeros(strip.ground_m.shape)))),
    ]
    keys = [key(*one) for one in [(beam, asked), *others]]
    assert len(set(keys)) == len(keys)
    assert key(*question(name="another")) == keys[0]


def test_every_field_of_a_beam_and_of_a_question_is_in_its_key():
    # a field that is added later has to be added to the key, or an old answer would be given to a new question
    assert set(Beam.__dataclass_fields__) == {
        *("head_type", "chainage_m", "ground_m", "tx_height_m", "rx_height_m", "tx_tilt_deg", "rx_tilt_deg"),
        *("tx_pan_deg", "rx_pan_deg", "polarisation", "ground_permittivity", "name", "detail_m", "coarse"),
    }
    assert set(ResponseRequest.__dataclass_fields__) == {"strip", "silhouettes", "floor", "level"}
    assert set(Strip.__dataclass_fields__) == {"chainage_m", "offset_m", "ground_m", "drop_m", "line_detail_m"}


def test_no_more_is_kept_than_there_is_room_for_and_the_oldest_goes_first():
    room = Remembered(3 * 800)
    for number in range(5):
        room.put(bytes([number]), StripResponse(0.0, np.full((1, 10, 10), float(number)), None))
    assert [room.get(bytes([number])) is not None for number in range(5)] == [False, False, True, True, True]


def test_parties_that_meet_share_what_is_remembered(monkeypatch):
    solved = counted(monkeypatch)
    meeting = batching.Batching()
    meeting.remembered = Remembered(10_000_000)

    def work(dip):
        first = meeting.look_at([question(dip_m=dip)])[0]
        again = meeting.look_at([question(dip_m=dip)])[0]
        other = meeting.look_at([question(dip_m={0.1: 0.2, 0.2: 0.1}[dip])])[0]
        return first is again, other

    made = list(meeting.map(work, [0.1, 0.2]))
    assert [same for same, _ in made] == [True, True]
    assert sum(solved) == 2
