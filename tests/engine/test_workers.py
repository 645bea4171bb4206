"""Work on several processes gives what one gives, and outlives the loss of a process."""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path

import pytest

from geotools.engine.workers import LocalWorkers, Serial
from geotools.errors import InputError, StepError


def square(n: int) -> int:
    return n * n


def refuse_seven(n: int) -> int:
    if n == 7:
        raise InputError("seven is not wanted", where="item 7", expected="another number")
    return n


def die_once(marker: Path, n: int) -> int:
    if n == 5 and not marker.exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return n


def die(n: int) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return n


@pytest.fixture(scope="module")
def two():
    workers = LocalWorkers(2)
    yield workers
    workers.close()


def test_results_come_in_order_as_from_one(two: LocalWorkers) -> None:
    items = list(range(40))
    assert list(two.map(square, items)) == list(Serial().map(square, items)) == [n * n for n in items]


def test_an_error_arrives_with_its_parts(two: LocalWorkers) -> None:
    results = two.map(refuse_seven, range(10))
    assert [next(results) for _ in range(7)] == list(range(7))
    with pytest.raises(InputError) as caught:
        next(results)
    assert (caught.value.where, caught.value.expected) == ("item 7", "another number")


def test_a_killed_process_costs_nothing_but_time(two: LocalWorkers, tmp_path: Path) -> None:
    assert list(two.map(partial(die_once, tmp_path / "died"), range(12))) == list(range(12))
    assert (tmp_path / "died").exists()


def test_work_that_always_kills_is_named(two: LocalWorkers) -> None:
    with pytest.raises(StepError, match="died again and again"):
        list(two.map(die, [1]))
