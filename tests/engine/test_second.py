"""The second process gives the answers this one gives, and no answer is lost when it cannot."""

import math
import multiprocessing
import os
import signal
import subprocess
import sys
import time
import types

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.response import ResponseRequest
from geotools.beam.strip import Strip
from geotools.engine import second
from geotools.engine.batching import look_at
from geotools.engine.second import second_process
from geotools.errors import NumericInputError

CHAINAGE, OFFSETS = np.arange(0.0, 60.01, 0.5), np.linspace(-1.0, 1.0, 9)


@pytest.fixture
def beside(monkeypatch):
    """A second process of this test's own, up and ready."""
    other = second.Beside()
    monkeypatch.setattr(second, "_BESIDE", other)
    other.allowed = True
    began = time.monotonic()
    while not other.at_hand():
        assert time.monotonic() - began < 30.0, "the second process does not come up"
        time.sleep(0.01)
    yield other
    other.close()


def asked(count: int, height_m: float = 0.4):
    """That many beams of both bands with the prone body looked for."""
    pairs = []
    for number in range(count):
        ground = 200.0 + 0.08 * np.sin(CHAINAGE / (5.0 + number))[:, None] + 0.01 * OFFSETS
        strip = Strip(CHAINAGE, OFFSETS, ground)
        head = HEAD_TYPES["10 GHz" if number % 2 else "24 GHz"]
        beam = strip.beam(head, height_m + 0.01 * number, height_m)
        pairs.append((beam, ResponseRequest(strip, ((TARGETS["prone"], 0.0), (TARGETS["walk"], 0.1)), (0.5, 0.2))))
    return pairs


def pid_of(_):
    """Number of the process that does this."""
    return os.getpid()


def part_of(item):
    """Sleeps in the other process; in this one shares something small meanwhile and says how long that took."""
    if item == "long":
        time.sleep(4.0)
        return 0.0
    time.sleep(0.5)  # until the other process is at it
    began = time.monotonic()
    list(second.share(pid_of, range(6)))
    return time.monotonic() - began


def test_a_part_of_a_shared_piece_does_not_wait_for_the_other_piece(beside):
    list(second.share(pid_of, range(6)))  # it has loaded what it needs
    short, _ = second.share(part_of, ["short", "long"])
    assert short < 2.0


def bits(seen):
    return [(one.standing_level_db, one.modulation.tobytes(), one.floor.tobytes()) for one in seen]


def counted(monkeypatch, other):
    """A list that grows with every piece the second process has done."""
    done, call = [], other.call

    def counting(work, item):
        answer = call(work, item)
        done.append(item)
        return answer

    monkeypatch.setattr(other, "call", counting)
    return done


def test_the_answers_are_the_same_to_the_last_bit(beside, monkeypatch):
    pairs = asked(24)
    done = counted(monkeypatch, beside)
    shared = look_at(pairs)
    assert done, "the second process has done nothing"
    beside.allowed = False
    assert bits(shared) == bits(look_at(pairs))


def test_a_process_that_is_killed_loses_nothing(beside):
    pairs = asked(24)
    os.kill(beside.call(pid_of, 0), signal.SIGKILL)
    shared = look_at(pairs)
    assert not beside.allowed
    assert bits(shared) == bits(look_at(pairs))


def test_pieces_come_in_order_and_both_do_some(beside, monkeypatch):
    assert list(second.share(math.factorial, range(200))) == [math.factorial(n) for n in range(200)]
    done = counted(monkeypatch, beside)
    assert list(second.share(time.sleep, [0.02] * 12)) == [None] * 12
    assert 0 < len(done) < 12


def test_an_error_there_is_raised_here(beside):
    with pytest.raises(TypeError):
        list(second.share(time.sleep, [0.05, 0.05, 0.05, "long"]))
    with pytest.raises(NumericInputError, match="transmitter"):
        look_at([*asked(8), *asked(1, height_m=-2.0)])
    assert beside.allowed


def test_work_that_it_cannot_load_is_done_here(beside, monkeypatch):
    here = types.ModuleType("known_to_this_process_alone")
    exec("import time\ndef negate(n):\n    time.sleep(0.02)\n    return -n\n", here.__dict__)
    monkeypatch.setitem(sys.modules, here.__name__, here)
    items = list(range(6))
    assert list(second.share(here.negate, items)) == [-n for n in items]
    assert beside.allowed
    assert beside.call(pid_of, 0) != os.getpid(), "the process was given up"


def test_it_is_gone_with_the_work_it_was_started_for(monkeypatch):
    monkeypatch.setattr(second, "_BESIDE", second.Beside())
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    with second_process():
        began = time.monotonic()
        while not second._BESIDE.at_hand():
            assert time.monotonic() - began < 30.0, "the second process does not come up"
            time.sleep(0.01)
        assert len(multiprocessing.active_children()) == 1
    assert not second._BESIDE.allowed
    assert not multiprocessing.active_children()


def test_nobody_starts_a_process_who_has_not_said_so(monkeypatch):
    other = second.Beside()
    monkeypatch.setattr(second, "_BESIDE", other)
    look_at(asked(24))
    assert other._greeting is None
    assert not multiprocessing.active_children()


def test_it_ends_with_whoever_started_it():
    program = (
        "import multiprocessing, time\nfrom geotools.engine import second\nsecond._BESIDE.allowed = True\n"
        "while not second._BESIDE.at_hand():\n    time.sleep(0.01)\n"
        "print(multiprocessing.active_children()[0].pid, flush=True)\ntime.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as first:
        pid = int(first.stdout.readline())
        os.kill(pid, 0)  # it is there
        first.kill()
    began = time.monotonic()
    while time.monotonic() - began < 10.0:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return
        with open(f"/proc/{pid}/stat") as stat:
            if stat.read().rsplit(")", 1)[1].split()[0] == "Z":
                return
        time.sleep(0.05)
    pytest.fail("the second process outlives the first")
