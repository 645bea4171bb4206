"""Answers of beams that were given before, for work that comes back to what it has tried.

Looking for works tries the same heads on the same ground again and again: alone and then with neighbours, drawn and
then within its tolerances. A question is known by its content, so that an answer can never be that of another ground.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np

from geotools.beam.profile import Beam
from geotools.beam.response import ResponseRequest, StripResponse

__all__ = ["Remembered"]


class Remembered:
    """Answers by question, at most so many bytes of them; the oldest are forgotten first.

    The oldest by when they were given, not by when they were last used: threads use them in no certain order, and what
    is solved with what must not hang on that.
    """

    def __init__(self, most_bytes: int) -> None:
        self.most_bytes, self._held = most_bytes, 0
        self._answers: dict[bytes, StripResponse] = {}

    def get(self, key: bytes) -> StripResponse | None:
        """The answer, None where it is not known; its arrays are not to be written to."""
        return self._answers.get(key)

    def put(self, key: bytes, answer: StripResponse) -> None:
        """Keep an answer."""
        if key in self._answers:
            return
        for array in _arrays(answer):
            array.flags.writeable = False
        self._answers[key] = answer
        self._held += sum(array.nbytes for array in _arrays(answer))
        while self._held > self.most_bytes and self._answers:
            gone = self._answers.pop(next(iter(self._answers)))
            self._held -= sum(array.nbytes for array in _arrays(gone))

    @staticmethod
    def key(beam: Beam, asked: ResponseRequest) -> bytes:
        """Digest of all that an answer hangs on: heads, ground, silhouettes; not of a beam's name."""
        made = hashlib.blake2b(digest_size=16)
        strip = asked.strip
        made.update(
            repr(
                (
                    *(beam.head_type, beam.tx_height_m, beam.rx_height_m),
                    *(beam.tx_tilt_deg, beam.rx_tilt_deg, beam.tx_pan_deg, beam.rx_pan_deg),
                    *(beam.polarisation, beam.ground_permittivity, beam.coarse),
                    *(asked.silhouettes, asked.floor, asked.level),
                )
            ).encode()
        )
        parts = [beam.chainage_m, beam.ground_m, strip.chainage_m, strip.offset_m, strip.ground_m, strip.drop_m]
        for detail in (beam.detail_m, strip.line_detail_m):
            parts += [None, None] if detail is None else list(detail)
        for part in parts:
            array = np.zeros(0) if part is None else np.ascontiguousarray(part, dtype=float)
            # shape too: two arrays one after the other are not the same two cut elsewhere
            made.update(repr((part is None, array.shape)).encode())
            made.update(array.data)
        return made.digest()


def _arrays(answer: StripResponse) -> Iterator[np.ndarray]:
    for array in (answer.modulation, answer.floor, answer.level):
        if array is not None:
            yield array
