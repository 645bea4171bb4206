"""One run at a time in a folder. The operating system holds the lock, so that a killed run never leaves one behind."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from filelock import FileLock, Timeout

from geotools.errors import OutputError

LOCK_NAME = ".lock"
#: A run that was just stopped needs a moment to let go.
PATIENCE_S = 1.0
#: Refuse a link: in a folder from elsewhere it may lead to any file of this machine.
NO_LINK = getattr(os, "O_NOFOLLOW", 0)


class FolderLock:
    """Holds a folder for this process from the moment it is made until `release`.

    Raises OutputError where another run holds it, or the folder cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / LOCK_NAME
        # whichever thread ends the run lets go
        self._lock = FileLock(self.path, mode=0o666, thread_local=False)
        try:
            self._lock.acquire(timeout=PATIENCE_S, poll_interval=0.05)
        except Timeout as problem:
            raise OutputError(
                "another run is at work in the output folder",
                where=folder,
                found=self._owner() or "its lock is held",
                mend="wait until it has ended, or choose another folder",
            ) from problem
        except OSError as problem:
            raise OutputError(
                "the output folder cannot be written",
                where=folder,
                found=problem,
                mend="choose another folder, or change its permission",
            ) from problem
        with suppress(OSError):  # no more than a help for whoever meets the lock; elsewhere a held file takes no words
            handle = os.open(self.path, os.O_WRONLY | os.O_TRUNC | NO_LINK)
            with open(handle, "w", encoding="ascii") as held:
                held.write(f"process {os.getpid()}\n")

    def _owner(self) -> str:
        """Who holds the lock, as far as that can be read."""
        try:
            with open(os.open(self.path, os.O_RDONLY | NO_LINK), encoding="ascii", errors="replace") as held:
                return held.read(100).strip()
        except OSError:
            return ""

    def release(self) -> None:
        """Give the folder back; doing so twice does no harm."""
        if self._lock.is_locked:
            with suppress(OSError):  # elsewhere an open file cannot be removed; the library does so after letting go
                self.path.unlink(missing_ok=True)
            self._lock.release()
