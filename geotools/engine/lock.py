"""One run at a time in a folder. The operating system holds the lock, so that a killed run never leaves one behind."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from geotools.errors import OutputError

LOCK_NAME = ".lock"
#: A run that was just told to end needs a moment to let go.
PATIENCE_S = 1.0
#: Refuse a link: in a folder from elsewhere it may lead to any file of this machine.
NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def _take(handle: int) -> bool:
    """Whether the lock could be had at once."""
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


class FolderLock:
    """Holds a folder for this process from the moment it is made until `release`.

    Raises OutputError where another run holds it, or the folder cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / LOCK_NAME
        self._handle: int | None = None
        give_up = time.monotonic() + PATIENCE_S
        while self._handle is None:
            self._handle = self._acquire(last=time.monotonic() >= give_up)

    def _acquire(self, last: bool) -> int | None:
        """The held file; None where another try is due."""
        try:
            handle = os.open(self.path, os.O_RDWR | os.O_CREAT | NO_LINK, 0o666)
        except OSError as problem:
            raise OutputError(
                "the output folder cannot be written",
                where=self.path.parent,
                found=problem,
                mend="choose another folder, or change its permission",
            ) from problem
        try:
            if not _take(handle):
                if not last:
                    os.close(handle)
                    time.sleep(0.05)
                    return None
                owner = os.read(handle, 100).decode("ascii", "replace").strip()
                raise OutputError(
                    "another run is at work in the output folder",
                    where=self.path.parent,
                    found=owner or "its lock is held",
                    mend="wait until it has ended, or choose another folder",
                )
            if not self._still_ours(handle):
                os.close(handle)
                return None
            os.ftruncate(handle, 0)
            os.write(handle, f"process {os.getpid()}\n".encode("ascii"))
        except OSError as problem:
            os.close(handle)
            raise OutputError("the output folder cannot be locked", where=self.path.parent, found=problem) from problem
        except OutputError:
            os.close(handle)
            raise
        return handle

    def _still_ours(self, handle: int) -> bool:
        """Whether the held file is the one that stands in the folder."""
        try:
            return os.path.samestat(os.fstat(handle), os.stat(self.path))
        except FileNotFoundError:
            return False

    def release(self) -> None:
        """Give the folder back; doing so twice does no harm."""
        if self._handle is None:
            return
        handle, self._handle = self._handle, None
        if sys.platform != "win32":  # elsewhere an open file cannot be removed; it stays, empty of meaning
            self.path.unlink(missing_ok=True)
        os.close(handle)
