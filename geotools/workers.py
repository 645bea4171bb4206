"""Pieces of work on many processes, results in order, the same results as on one."""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Protocol, TypeVar

from geotools.errors import StepError

T = TypeVar("T")
R = TypeVar("R")

#: Pieces handed out before their turn, for each worker: enough to keep it busy, few enough to keep memory flat.
AHEAD = 4
#: How often a piece is tried whose worker process died (out of memory, killed by hand).
TRIES = 3


class Workers(Protocol):
    """Somebody who does pieces of work."""

    count: int

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in the items' order; an error of the work is raised when its turn comes."""
        ...

    def close(self) -> None:
        """Let the workers go."""
        ...


class Serial:
    """All work in this process, one piece after the other."""

    count = 1

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in order."""
        return map(work, items)

    def close(self) -> None:
        """Nothing to let go."""


class LocalWorkers:
    """Processes on this machine. ``work`` must be a module's function and items and results must pickle.

    Processes are started afresh, not forked: the raster library's threads and caches do not survive a fork.
    """

    def __init__(self, count: int) -> None:
        self.count = max(int(count), 1)
        self._pool: ProcessPoolExecutor | None = None

    def _executor(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self.count, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker
            )
        return self._pool

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in order; a piece whose process died is tried again."""
        tries = [0] * len(items)
        waiting: deque[tuple[int, Future[Any]]] = deque()
        upcoming = 0
        while waiting or upcoming < len(items):
            try:
                while upcoming < len(items) and len(waiting) < AHEAD * self.count:
                    waiting.append((upcoming, self._executor().submit(work, items[upcoming])))
                    upcoming += 1
                _, future = waiting[0]
                result = future.result()
            except BrokenProcessPool as problem:
                self.close()
                # Nobody says which piece was to blame: the one whose turn it is is charged, all are handed out again.
                upcoming = waiting[0][0] if waiting else upcoming
                waiting.clear()
                tries[upcoming] += 1
                if tries[upcoming] >= TRIES:
                    raise StepError(
                        "a worker process died again and again",
                        where=f"piece {upcoming + 1} of {len(items)}",
                        found=f"{TRIES} tries",
                        mend="use fewer workers, or free memory",
                    ) from problem
                continue
            waiting.popleft()
            yield result

    def close(self) -> None:
        """Let the processes go; work not begun is dropped."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


def _start_worker() -> None:
    """One core for each process: the numeric libraries must not start threads of their own beside us."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def workers_for(count: int) -> Workers:
    """This process for one, processes of this machine for more."""
    return Serial() if count <= 1 else LocalWorkers(count)
