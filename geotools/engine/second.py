"""One worker that takes its share of the work beside this process: batches of beams, pictures.

Threads are no help here: marching is thousands of short array operations, between which threads wait for one another.
The process loads the beam model, and what else a piece of work needs. It is started only where a program has said that
it may (:func:`second_process`). Whatever goes wrong in it, the work is done in this process, where an error can be
reported; the answers are the same.
"""

from __future__ import annotations

import importlib
import os
import pickle
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from typing import Any, TypeVar

from geotools.engine.workers import LocalWorkers

__all__ = ["second_process", "share"]

T = TypeVar("T")
R = TypeVar("R")


class UndoneError(Exception):
    """The process beside has not done it, for whatever reason."""


class Beside:
    """The worker: started on first use, ready a moment later."""

    def __init__(self) -> None:
        self.allowed = False
        self._lock = threading.Lock()
        self._workers = LocalWorkers(1)
        self._greeting: Future[None] | None = None
        self._busy = False

    def at_hand(self) -> bool:
        """Whether work may be sent now; starts the process where it may and is not there.

        A process that is at work is not at hand: whoever shares a part of a piece that is itself shared would have to
        wait until the other piece is done.
        """
        if self._busy:
            return False
        with self._lock:
            if self.allowed and self._greeting is None:
                try:
                    self._greeting = self._workers.submit(_load, "geotools.beam.wave")
                except (OSError, RuntimeError):
                    self.allowed = False
        greeting = self._greeting
        if greeting is None or not greeting.done():
            return False
        self.allowed &= not greeting.cancelled() and greeting.exception() is None
        return self.allowed

    def call(self, work: Callable[[T], R], item: T) -> R:
        """``work(item)`` done there; UndoneError where that cannot be."""
        if not self.allowed:
            raise UndoneError
        try:
            # pickled here: the pool gives the whole process up over a piece that it cannot load
            piece = pickle.dumps((work, item), protocol=pickle.HIGHEST_PROTOCOL)
        except Exception:
            raise UndoneError from None
        self._busy = True
        try:
            done, answer = self._workers.submit(_try, piece).result()
        except (OSError, RuntimeError, CancelledError):
            self.allowed = False  # it died: from now on everything is done here
            raise UndoneError from None
        finally:
            self._busy = False
        if not done:
            raise UndoneError
        result: R = answer
        return result

    def close(self) -> None:
        """Let the process go; one is started again when it is allowed and requested."""
        self.allowed = False
        with self._lock:
            self._workers.close()  # it holds nothing that anybody misses
            self._greeting = None


_BESIDE = Beside()


@contextmanager
def second_process() -> Iterator[None]:
    """Within this, a second process is started when there is work for it and a processor to run it on.

    For a program that owns its process, as the `geotools` command does; not for workers, of which there are several.
    """
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    _BESIDE.allowed = count > 1
    try:
        yield
    finally:
        _BESIDE.close()


def share(work: Callable[[T], R], items: Sequence[T], *, small: bool = False) -> Iterator[R]:
    """``work`` of every item, in order: from the first on in this process, from the last on in the one beside it.

    Parameters
    ----------
    work : a module's function; items and results must pickle.
    items : what it is given, one after the other.
    small : bool, the work is not worth sending.

    Raises
    ------
    Whatever ``work`` raises, when the turn of that item comes.
    """
    todo = deque(range(len(items)))
    answers: dict[int, R] = {}

    def beside() -> None:
        while True:
            try:
                place = todo.pop()
            except IndexError:
                return
            try:
                answers[place] = _BESIDE.call(work, items[place])
            except UndoneError:
                return

    other = threading.Thread(target=beside) if len(items) > 1 and not small and _BESIDE.at_hand() else None
    if other is not None:
        other.start()
    try:
        for place in range(len(items)):
            try:
                todo.popleft()  # `place` itself: those before it are gone, and the other takes from the end
            except IndexError:
                if other is not None:
                    other.join()
            if place not in answers:
                answers[place] = work(items[place])
            yield answers.pop(place)
    finally:
        todo.clear()
        if other is not None:
            other.join()


def _load(module: str) -> None:
    importlib.import_module(module)


def _try(piece: bytes) -> tuple[bool, Any]:
    """Whether a pickled piece of work could be done, and what came of it."""
    try:
        work, item = pickle.loads(piece)
        return True, work(item)
    except Exception:
        return False, None
