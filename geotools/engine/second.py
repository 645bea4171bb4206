"""A second process that takes its share of the work beside this one: batches of beams, pictures.

Threads are no help here: marching is thousands of short array operations, between which threads wait for one another.
The process loads the beam model, and what else a piece of work needs. It is started only where a program has said that
it may (:func:`allow`), works on what it is sent, and ends when its input does. Whatever goes wrong, the work is done
in this process; the answers are the same.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import pickle
import signal
import struct
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

import geotools
from geotools.beam.profile import Beam
from geotools.beam.response import ResponseRequest, StripResponse
from geotools.beam.wave import Batch, batches_of, solve_batch

__all__ = ["allow", "look_at", "share"]

T = TypeVar("T")
R = TypeVar("R")

_LENGTH = struct.Struct("<Q")
_WORTH_SENDING = 400_000
"""Heights times steps of a request above which a second process is asked: about 6 ms of work."""


class _UndoneError(Exception):
    """The second process has not done it; whatever the reason, it is done here, where an error can be told."""


class _Second:
    """The process, started on first use and ready a moment later."""

    def __init__(self) -> None:
        self.allowed = False
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._ready = False

    def at_hand(self) -> bool:
        """Whether work may be sent now; starts the process where it may and is not there."""
        if self.allowed and self._process is None:
            with self._lock:
                if self._process is None:
                    self._start()
        return self.allowed and self._ready

    def _start(self) -> None:
        # -P: a module that lies in the folder somebody works in is not ours to load
        root = str(Path(geotools.__file__).parents[1])
        path = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
        one = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "geotools.engine.second"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=os.environ | one | {"PYTHONPATH": path},
            )
        except OSError:
            self.allowed = False
            return
        atexit.register(self.close)
        threading.Thread(target=self._greet, daemon=True).start()

    def close(self) -> None:
        """Let the process end."""
        self.allowed = False
        process, self._process = self._process, None
        if process is not None and process.stdin is not None and process.stdout is not None:
            process.kill()  # it holds nothing that anybody misses
            process.wait()
            with contextlib.suppress(OSError):
                process.stdin.close()
            process.stdout.close()

    def _greet(self) -> None:
        assert self._process is not None and self._process.stdout is not None
        self._ready = self._process.stdout.read(1) == b"+"
        self.allowed &= self._ready

    def call(self, work: Callable[[T], R], item: T) -> R:
        """``work(item)`` done there; :class:`_UndoneError` where the process cannot."""
        with self._lock:
            process = self._process
            if not self.allowed or process is None or process.stdin is None or process.stdout is None:
                raise _UndoneError
            try:
                piece = pickle.dumps((work, item), protocol=pickle.HIGHEST_PROTOCOL)
            except Exception:
                raise _UndoneError from None  # what cannot be sent is done here
            try:
                process.stdin.write(_LENGTH.pack(len(piece)))
                process.stdin.write(piece)
                process.stdin.flush()
                done, answer = pickle.load(process.stdout)
            except (OSError, EOFError, pickle.UnpicklingError, ValueError):
                self.allowed = False  # it died: from now on everything is done here
                raise _UndoneError from None
        if not done:
            raise _UndoneError
        result: R = answer
        return result


_SECOND = _Second()


def allow() -> None:
    """Let a second process be started when there is work for it and a processor to run it on.

    For a program that owns its process, as the `geotools` command does; not for workers, of which there are several.
    """
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    _SECOND.allowed = count > 1


def share(work: Callable[[T], R], items: Sequence[T], *, small: bool = False) -> Iterator[R]:
    """``work`` of every item, in order: from the first on in this process, from the last on in the second.

    ``work`` must be a module's function, items and results must pickle. small : not worth sending.
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
                answers[place] = _SECOND.call(work, items[place])
            except _UndoneError:
                return

    other = threading.Thread(target=beside) if len(items) > 1 and not small and _SECOND.at_hand() else None
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


def look_at(asked: Sequence[tuple[Beam, ResponseRequest]]) -> list[StripResponse]:
    """What each beam gives where it is looked for, in the order asked; the second process takes its part of the work.

    Raises
    ------
    NumericInputError : as :func:`geotools.beam.solve_beam`.
    """
    batches = batches_of([beam for beam, _ in asked])
    work = sum(grid.size * grid.ground_m.size * 2 for batch in batches for grid in batch.grids)
    items = [(batch, [asked[place][1] for place in batch.places]) for batch in batches]
    seen: dict[int, StripResponse] = {}
    for batch, answer in zip(batches, share(_solve, items, small=work < _WORTH_SENDING), strict=True):
        seen.update(zip(batch.places, answer, strict=True))
    return [seen[place] for place in range(len(asked))]


def _solve(item: tuple[Batch, list[ResponseRequest]]) -> list[StripResponse]:
    return solve_batch(*item)


def _serve() -> None:
    """What the second process does: batches in, answers out, until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever asked decides when to stop
    into, out = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing but answers may go to the pipe
    out.write(b"+")
    out.flush()
    while True:
        head = into.read(_LENGTH.size)
        if len(head) < _LENGTH.size:
            return
        piece = into.read(*_LENGTH.unpack(head))
        try:
            work, item = pickle.loads(piece)
            answer = True, work(item)
        except Exception:
            answer = False, None
        try:
            pickle.dump(answer, out, protocol=pickle.HIGHEST_PROTOCOL)
            out.flush()
        except OSError:
            return


if __name__ == "__main__":
    _serve()
