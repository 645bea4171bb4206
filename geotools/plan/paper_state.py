"""The state that a paper shows, in one wording for all of them: existing or proposed, revision, date, heads."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

__all__ = ["PaperState", "heads_code", "short_code"]

StateKind = Literal["existing", "proposed"]
#: Characters of a code that people compare by eye.
_CODE_LENGTH = 8


def short_code(parts: Iterable[object]) -> str:
    """Code of eight characters, equal where every part is equal."""
    return hashlib.sha256("|".join(str(part) for part in parts).encode("utf-8")).hexdigest()[:_CODE_LENGTH]


def heads_code(heads: Iterable[Mapping[str, Any]]) -> str:
    """Code of rows of the layer heads in whatever order: kind, plane, place and level to the millimetre."""
    rows = sorted(
        f"{head['head_id']} {head['head_type']} {head['polarisation']} {head['geometry'].x:.3f} "
        f"{head['geometry'].y:.3f} {float(head['ground_m']):.3f} {float(head['height_m']):.3f}"
        for head in heads
    )
    return short_code(rows)


@dataclass(frozen=True)
class PaperState:
    """What every paper says of the state it shows.

    Attributes
    ----------
    kind : {"existing", "proposed"}
        Heads and ground as they are laid out and surveyed, or as they are to become.
    revision : str
        As the site file has it; empty where it names none.
    date : datetime.date or None
        Of that revision, as the site file has it; never of the clock.
    code : str
        Of the heads: two papers with one code show the same heads.
    """

    kind: StateKind
    revision: str
    date: dt.date | None
    code: str

    @property
    def words(self) -> str:
        """As a paper's heading has it: ``proposed state, revision B of 2027-05-03, heads 1a2b3c4d``."""
        revision = f"revision {self.revision}" if self.revision else "no revision given"
        day = f" of {self.date.isoformat()}" if self.date is not None else ", no date given"
        return f"{self.kind} state, {revision}{day}, heads {self.code}"

    @property
    def fields(self) -> dict[str, str]:
        """For a table with a field each."""
        return {
            "state": self.kind,
            "revision": self.revision,
            "revision_date": "" if self.date is None else self.date.isoformat(),
            "state_code": self.code,
        }
