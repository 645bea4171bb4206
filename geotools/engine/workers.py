"""Pieces of work on many processes, results in order, the same results as on one."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Protocol, TypeVar

from geotools.engine.memory import few_heaps
from geotools.errors import StepError

T = TypeVar("T")
R = TypeVar("R")

#: Pieces handed out before their turn, for each worker: enough to keep it busy, few enough to keep memory flat.
AHEAD = 4
#: How often a piece is tried whose worker process died (out of memory, killed by hand).
TRIES = 3


class Workers(Protocol):
    """Somebody who does pieces of work."""

    @property
    def count(self) -> int:
        """How many pieces are worked on at once."""
        ...

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in the items' order; an error of the work is raised when its turn comes."""
        ...

    def each(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[tuple[int, R | StepError]]:
        """Place and result of every item as it ends, in any order; a StepError for one that kills its worker.

        For long pieces that must not hurt each other. ``work`` itself must not raise.
        """
        ...

    def close(self) -> None:
        """Let the workers go."""
        ...


class Serial:
    """One piece after the other, in this process and the second beside it where there is one."""

    count = 1

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in order."""
        from geotools.engine.second import share

        return share(work, items)

    def each(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[tuple[int, R | StepError]]:
        """Place and result of every item."""
        for place, item in enumerate(items):
            yield place, work(item)

    def close(self) -> None:
        """Nothing to let go."""


class LocalWorkers:
    """Processes on this machine. ``work`` must be a module's function and items and results must pickle.

    Processes are started afresh, not forked: the raster library's threads and caches do not survive a fork.
    """

    def __init__(self, count: int) -> None:
        self.count = max(int(count), 1)
        self._pool: ProcessPoolExecutor | None = None

    def submit(self, work: Callable[[T], R], item: T) -> Future[R]:
        """``work(item)`` as soon as a process is free; BrokenProcessPool from here or the future where one died."""
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self.count, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker
            )
        return self._pool.submit(work, item)

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in order; a piece whose process died is tried again."""
        tries = [0] * len(items)
        waiting: deque[Future[R]] = deque()
        turn = 0
        while turn < len(items):
            try:
                while len(waiting) < AHEAD * self.count and turn + len(waiting) < len(items):
                    waiting.append(self.submit(work, items[turn + len(waiting)]))
                result = waiting[0].result()
            except BrokenProcessPool:
                # Nobody says which piece was to blame: the one whose turn it is is charged, all are handed out again.
                self.close()
                waiting.clear()
                tries[turn] += 1
                if tries[turn] >= TRIES:
                    raise _worker_died(turn, len(items)) from None
                continue
            waiting.popleft()
            turn += 1
            yield result

    def each(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[tuple[int, R | StepError]]:
        """Place and result of every item as it ends; those at work when a process died are tried again one by one."""
        fresh, suspects = deque(range(len(items))), deque[int]()
        tries = [0] * len(items)
        running: dict[Future[R], int] = {}
        while fresh or suspects or running:
            source, limit = (suspects, 1) if suspects else (fresh, self.count)
            try:
                while source and len(running) < limit:
                    place = source.popleft()
                    running[self.submit(work, items[place])] = place
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    result = future.result()
                    yield running.pop(future), result
            except BrokenProcessPool:
                self.close()
                for place in running.values():
                    # Alone at work, it is to blame; in company it is only suspect.
                    tries[place] += len(running) == 1
                    if tries[place] >= TRIES - 1:
                        yield place, _worker_died(place, len(items))
                    else:
                        suspects.append(place)
                running.clear()

    def close(self) -> None:
        """Let the processes go; work not begun is dropped, work under way is broken off."""
        pool, self._pool = self._pool, None
        if pool is None:
            return
        for process in list((getattr(pool, "_processes", None) or {}).values()):
            process.terminate()
        pool.shutdown(wait=True, cancel_futures=True)


def _worker_died(place: int, total: int) -> StepError:
    return StepError(
        "a worker process died again and again",
        where=f"piece {place + 1} of {total}",
        found=f"{TRIES} tries",
        expected="work that fits into memory",
        mend="use fewer workers, or free memory",
    )


def _start_worker() -> None:
    """One core for each process: the numeric libraries must not start threads of their own beside us."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever gave the work decides when to stop
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    few_heaps()
    # A parent that is killed cannot call its workers off: they watch it themselves.
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def workers_for(count: int) -> Workers:
    """This process for one, processes of this machine for more."""
    return Serial() if count <= 1 else LocalWorkers(count)
