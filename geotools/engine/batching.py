"""Beams solved together, and work on many zones at once that needs them: few large transforms, not many small ones.

Each zone is worked on by a thread of its own. A thread that needs beams waits until all that are at work need some;
then the beams of all are solved in one go. What is solved with what hangs on the items alone, never on which thread was
first, so that answers are the same on every machine.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

from geotools.beam.field import BeamField
from geotools.beam.profile import Beam
from geotools.beam.response import ResponseRequest, StripResponse
from geotools.beam.wave import Batch, batches_of, solve_batch
from geotools.engine.remembered import Remembered
from geotools.engine.second import share

__all__ = ["Batching", "look_at"]

T = TypeVar("T")
R = TypeVar("R")

#: Items worked on at once: enough for full transforms, few enough that memory is bounded.
_PARTIES = 24
#: Heights times steps of a request above which the process beside this one is used: about 6 ms of work.
_WORTH_SENDING = 400_000


def look_at(asked: Sequence[tuple[Beam, Callable[[BeamField], R]]]) -> list[R]:
    """What each beam gives where it is looked for, in the order requested; a second process takes its part of the work.

    Parameters
    ----------
    asked : sequence of (Beam, callable), the beams and what is looked for in each: a request of :mod:`geotools.beam`,
        which can be handed to another process. A beam given several times, the very same object, is solved once.

    Returns
    -------
    list, one answer for each beam requested.

    Raises
    ------
    NumericInputError : as :func:`geotools.beam.solve_beam`.
    """
    places: dict[int, list[int]] = {}
    for place, (beam, _) in enumerate(asked):
        places.setdefault(id(beam), []).append(place)
    of_beam = list(places.values())
    batches = batches_of([asked[first][0] for first, *_ in of_beam])
    work = sum(grid.size * grid.ground_m.size * 2 for batch in batches for grid in batch.grids)
    items = [(batch, [[asked[place][1] for place in of_beam[one]] for one in batch.places]) for batch in batches]
    seen: dict[int, R] = {}
    for batch, answers in zip(batches, share(_solve_batch, items, small=work < _WORTH_SENDING), strict=True):
        for one, answer in zip(batch.places, answers, strict=True):
            seen.update(zip(of_beam[one], answer, strict=True))
    return [seen[place] for place in range(len(asked))]


def _solve_batch(item: tuple[Batch, list[list[Callable[[BeamField], R]]]]) -> list[list[R]]:
    batch, uses = item
    return solve_batch(batch, [partial(_each, of_beam) for of_beam in uses])


def _each(uses: Sequence[Callable[[BeamField], R]], field: BeamField) -> list[R]:
    return [use(field) for use in uses]


@dataclass
class _Request:
    """What one item requests. place : the item's, by which requests are put in order. keys : of what is to be kept."""

    place: int
    asked: Sequence[tuple[Beam, ResponseRequest]]
    keys: Sequence[bytes]
    answer: Future[list[StripResponse]] = field(default_factory=Future)


class Batching:
    """Where the threads of several items meet to have their beams solved; see :meth:`map` and :meth:`look_at`."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._mine = threading.local()
        self._waiting: list[_Request] = []
        self._present = 0
        self.remembered = Remembered(0)

    def map(self, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
        """``work`` of every item, in the items' order; an error of the work is raised when its turn comes.

        Beams that ``work`` requests of this meeting are solved with those of the other items. One call at a time.
        """
        todo = list(enumerate(items))[::-1]
        answers: list[Future[R]] = [Future() for _ in items]
        parties = min(_PARTIES, len(items))
        self._present = parties

        def party() -> None:
            while True:
                with self._lock:
                    if not todo:
                        break
                    place, item = todo.pop()
                self._mine.place = place
                try:
                    answers[place].set_result(work(item))
                except BaseException as problem:
                    answers[place].set_exception(problem)
            self._mine.place = None
            with self._lock:
                self._present -= 1
                together = self._complete()
            self._solve(together)

        with ThreadPoolExecutor(max(parties, 1)) as pool:
            for _ in range(parties):
                pool.submit(party)
            try:
                for answer in answers:
                    yield answer.result()
            finally:
                with self._lock:
                    todo.clear()

    def look_at(self, asked: Sequence[tuple[Beam, ResponseRequest]]) -> list[StripResponse]:
        """As :func:`look_at`, but for what is remembered; within :meth:`map` together with beams of the other items."""
        if not self.remembered.most_bytes:
            return self._solved(asked, ())
        keys = [self.remembered.key(*pair) for pair in asked]
        answers = {key: answer for key in keys if (answer := self.remembered.get(key)) is not None}
        new = {key: pair for key, pair in zip(keys, asked, strict=True) if key not in answers}
        if new:
            for key, answer in zip(new, self._solved(list(new.values()), list(new)), strict=True):
                answers[key] = answer
        return [answers[key] for key in keys]

    def _solved(self, asked: Sequence[tuple[Beam, ResponseRequest]], keys: Sequence[bytes]) -> list[StripResponse]:
        """Answers of a solve; kept by `keys`, none where nothing is remembered."""
        place = getattr(self._mine, "place", None)
        if place is None:
            answers = look_at(asked)
            self._keep(keys, answers)
            return answers
        request = _Request(place, asked, keys)
        with self._lock:
            self._waiting.append(request)
            together = self._complete()
        self._solve(together)
        return request.answer.result()

    def _keep(self, keys: Sequence[bytes], answers: Sequence[StripResponse]) -> None:
        if keys:
            for key, answer in zip(keys, answers, strict=True):
                self.remembered.put(key, answer)

    def _complete(self) -> list[_Request]:
        """All requests once everybody present has made one, else none; they are taken away. Call with the lock held."""
        if not self._waiting or len(self._waiting) < self._present:
            return []
        together, self._waiting = sorted(self._waiting, key=lambda request: request.place), []
        return together

    def _solve(self, requests: Sequence[_Request]) -> None:
        """Solve the beams of all requests and answer each."""
        if not requests:
            return
        asked = [pair for request in requests for pair in request.asked]
        try:
            answers = look_at(asked)
        except Exception as problem:
            if len(requests) == 1:
                requests[0].answer.set_exception(problem)
                return
            for request in requests:  # only the one whose beam fails shall hear of it
                self._solve([request])
            return
        # kept before anybody goes on, so that what is known at a meeting hangs on the meetings before it alone
        self._keep([key for request in requests for key in request.keys], answers)
        made = iter(answers)
        for request in requests:
            request.answer.set_result([next(made) for _ in request.asked])
