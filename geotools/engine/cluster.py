"""Work on the machines of a Dask cluster (extra ``cluster``): small messages alone pass through its scheduler.

Every machine must see the site files and the output folder under the same paths, and whoever starts the run must reach
the workers: results come straight from them. A worker that is lost costs its pieces of work, which are given to others.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from geotools.engine.workers import AHEAD, TRIES
from geotools.errors import InputError, StepError

T = TypeVar("T")
R = TypeVar("R")


class ClusterWorkers:
    """The workers of a running scheduler.

    Parameters
    ----------
    address : such as ``tcp://host:8786``; ``timeout_s`` : how long to wait for an answer and for a first worker.

    Raises InputError where the extra is not installed, or nobody answers.
    """

    def __init__(self, address: str, timeout_s: float = 20.0) -> None:
        try:
            from distributed import Client
        except ImportError as problem:
            raise InputError(
                "a cluster needs the package `distributed`",
                found=problem,
                mend="install it: pip install 'geotools-perimeter[cluster]'",
            ) from problem
        try:
            self._client = Client(address, timeout=timeout_s, set_as_default=False, direct_to_workers=True)
            self._client.wait_for_workers(1, timeout=timeout_s)
        except (OSError, TimeoutError, ValueError) as problem:
            raise InputError(
                "the cluster does not answer",
                where=address,
                found=f"{type(problem).__name__}: {problem}"[:300],
                expected="the address of a running scheduler with at least one worker, such as tcp://host:8786",
                mend="start it with `dask scheduler`, and workers with `dask worker ADDRESS`",
            ) from problem

    @property
    def count(self) -> int:
        """Threads of all workers now."""
        return max(sum(self._client.nthreads().values()), 1)

    def _submit(self, work: Callable[[T], R], item: T) -> Any:
        return self._client.submit(work, item, pure=False, retries=TRIES - 1)

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in order, few handed out ahead of their turn."""
        waiting: deque[Any] = deque()
        for turn in range(len(items)):
            while len(waiting) < AHEAD * self.count and turn + len(waiting) < len(items):
                waiting.append(self._submit(work, items[turn + len(waiting)]))
            future = waiting.popleft()
            yield _settled(future, turn, len(items))

    def each(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[tuple[int, R | StepError]]:
        """Place and result of every item as it ends; a StepError for one whose workers were lost again and again."""
        from distributed import as_completed

        upcoming = iter(range(len(items)))
        places: dict[Any, int] = {}
        running = as_completed([], loop=self._client.loop)

        def hand_out() -> None:
            for place in upcoming:
                future = self._submit(work, items[place])
                places[future] = place
                running.add(future)
                return

        for _ in range(AHEAD * self.count):
            hand_out()
        for future in running:
            place = places.pop(future)
            try:
                yield place, _settled(future, place, len(items))
            except StepError as problem:
                yield place, problem
            hand_out()

    def close(self) -> None:
        """Leave the cluster; it goes on without us."""
        self._client.close()


def _settled(future: Any, place: int, total: int) -> Any:
    from distributed import KilledWorker
    from distributed.client import FutureCancelledError

    try:
        return future.result()
    except (KilledWorker, FutureCancelledError) as problem:
        raise StepError(
            "workers of the cluster were lost again and again",
            where=f"piece {place + 1} of {total}",
            found=str(problem)[:300],
            mend="look at the workers' logs; give them more memory",
        ) from problem
    finally:
        future.release()
