"""Putting a database in the place of one that another program may have open.

A desktop GIS that has edited a layer keeps the file in SQLite's write-ahead mode: what it wrote last lies in a second
file beside it. Renaming a new file over the first would leave the second to be laid over it by whoever opens it next,
and the GIS would go on with the old one. The new content goes in as one transaction instead, which readers follow.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

__all__ = ["put_database"]

#: Where the header says how the file is written to (SQLite file format, 1.3.3), and what it says in that mode.
_MODE_AT, _WAL = slice(18, 20), b"\x02\x02"
_WAIT_S = 5.0


def _in_wal_mode(path: Path) -> bool:
    try:
        with open(path, "rb") as held:
            return held.read(20)[_MODE_AT] == _WAL
    except FileNotFoundError:
        return False


def put_database(source: Path, target: Path) -> None:
    """Put the SQLite file ``source`` at ``target``, whole or not at all; ``source`` is gone afterwards.

    Parameters
    ----------
    source : Path
        The finished file, on the same disk.
    target : Path
        What it replaces, if there is anything. While it is in write-ahead mode its content is replaced within the file.

    Raises
    ------
    OSError
        Where it cannot be put there, or another program is in the middle of writing; ``target`` is as it was.
    """
    if not _in_wal_mode(target):
        os.replace(source, target)
        return
    try:
        with closing(sqlite3.connect(source)) as made, closing(sqlite3.connect(target, timeout=_WAIT_S)) as held:
            # a backup waits for nobody by itself: whoever writes is waited for here
            held.isolation_level = None
            held.execute("BEGIN IMMEDIATE")
            held.execute("ROLLBACK")
            made.backup(held)
    except sqlite3.Error as problem:
        raise OSError(f"{target.name} is open in another program that is writing to it: {problem}") from problem
    source.unlink()
