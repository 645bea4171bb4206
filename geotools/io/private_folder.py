"""A temporary folder that is there as long as somebody holds the object that made it."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from pathlib import Path
from typing import Any

__all__ = ["PrivateFolder"]

PREFIX = "geotools-"


def _elsewhere() -> None:
    """What a copy in another process holds: the folder can be read there, but is not its own to remove."""
    return None


class PrivateFolder:
    """A new empty folder, removed when the last reference to this object goes, and at the latest when Python ends.

    Copies in the same process share it. A copy that is sent to another process holds nothing.
    """

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix=PREFIX))
        self._end = weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)

    def close(self) -> None:
        """Remove the folder now."""
        self._end()

    def __copy__(self) -> PrivateFolder:
        return self

    def __deepcopy__(self, memo: Any) -> PrivateFolder:
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return _elsewhere, ()
