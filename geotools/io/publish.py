"""Many files put in place as one: all of them, or none at all, whenever the power fails.

Finished files are gathered in a folder of their own. Renaming that folder to ``.commit`` is the one instant at which
they count; after it they are moved to their places, and whoever comes next and finds ``.commit`` still there moves
the rest. Before it, nothing has happened. Every single file appears by renaming, so none is ever seen half.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from geotools.errors import OutputError
from geotools.io.files import PRIVATE_FILE, close_to_others, make_folders
from geotools.io.open_database import put_database

COMMIT_NAME = ".commit"
SCRATCH_PREFIX = ".scratch-"
_NOTE = ".note.json"
#: What an interrupted run can leave besides; names no result of ours ever has.
_LEFTOVERS = (f"{SCRATCH_PREFIX}*", ".plan-*.gpkg*", ".*.tmp")


def _sync(path: Path) -> None:
    """Have the disk hold what was written; a folder cannot be synced everywhere, and need not."""
    try:
        # some systems (Windows) have the disk hold a file only through a handle that may write
        handle = os.open(path, os.O_RDWR if path.is_file() else os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        if path.is_file():
            raise
    finally:
        os.close(handle)


def _state(path: Path) -> list[int] | None:
    """What shows whether a file was changed since; of a database, what lies in a second file beside it counts too."""
    if not path.exists():
        return None
    held = path.stat()
    state = [held.st_size, held.st_mtime_ns]
    try:
        beside = path.with_name(path.name + "-wal").stat()
    except FileNotFoundError:
        return state
    return [*state, beside.st_size, beside.st_mtime_ns] if beside.st_size else state


def publish(staged: Path, out: Path, *, guard: str, remove: Iterable[str] = (), private: bool = False) -> list[Path]:
    """Put everything below ``staged`` at the same place below ``out``; give back the places.

    Parameters
    ----------
    staged : folder of finished files on the same disk; it is gone afterwards.
    guard : name of the file that others edit: if it is changed before an interrupted move is ended, the rest is dropped
        rather than laid over their work.
    remove : files below ``out`` that the new ones replace under other names.
    private : whether files, and folders made for them below ``out``, are for their owner alone.

    OutputError where a file cannot be put in place; everything is then still as it was, or ends at the next run.
    """
    files = sorted(path.relative_to(staged) for path in staged.rglob("*") if path.is_file())
    _refuse_links(out, files)
    try:
        gone = sorted(set(remove) - {str(f) for f in files})
        note = {"guard": guard, "state": _state(out / guard), "remove": gone, "private": private}
        (staged / _NOTE).write_text(json.dumps(note), encoding="utf-8")
        if private:
            close_to_others(staged)
        for name in (*files, Path(_NOTE)):
            _sync(staged / name)
        os.replace(staged, out / COMMIT_NAME)
        _sync(out)
        finish(out)
    except OSError as problem:
        raise OutputError(
            "results could not be put in place; what stood there before is whole",
            where=out,
            found=problem,
            mend="close programs that have the files open, check free space, and run the step again",
        ) from problem
    return [out / name for name in files]


def _refuse_links(out: Path, names: Iterable[Path]) -> None:
    """OutputError where a folder below ``out`` is a link: in a plan from elsewhere it may lead anywhere."""
    for folder in sorted({parent for name in names for parent in name.parents if parent.parts}):
        if (out / folder).is_symlink():
            raise OutputError(
                "a folder of the results is a link to somewhere else",
                where=out / folder,
                expected="a folder of its own, so that nothing is written outside the output folder",
                mend="take the link away, or choose another output folder",
            )


def finish(out: Path) -> None:
    """End the move that an earlier run began, if one did."""
    commit = out / COMMIT_NAME
    if not commit.is_dir():
        return
    _refuse_links(out, [Path(COMMIT_NAME) / _NOTE])
    note = _read_note(commit / _NOTE)
    if note is not None:
        guard = Path(note["guard"])
        if (commit / guard).exists() and _state(out / guard) != note["state"]:
            shutil.rmtree(commit)
            return
        names = sorted(path.relative_to(commit) for path in commit.rglob("*") if path.is_file())
        _refuse_links(out, names)
        for name in names:
            if name not in (Path(_NOTE), guard):
                make_folders((out / name).parent, private=note.get("private") is True)
                os.replace(commit / name, out / name)
        for name in note["remove"]:
            _remove_inside(out, str(name))
        if (commit / guard).exists():
            put_database(commit / guard, out / guard)
            if note.get("private") is True:
                (out / guard).chmod(PRIVATE_FILE)  # one that was written into kept its own
    shutil.rmtree(commit)
    _sync(out)


def _read_note(path: Path) -> dict[str, Any] | None:
    """The note of a move that was begun; None where there is none, or none of ours: it may come from elsewhere."""
    try:
        note = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None  # its last file goes last: without it all has been moved
    if not isinstance(note, dict) or not isinstance(note.get("remove"), list) or "state" not in note:
        return None
    guard = note.get("guard")
    return note if isinstance(guard, str) and guard not in ("", "..") and Path(guard).name == guard else None


def _remove_inside(out: Path, name: str) -> None:
    """Take away a file of an earlier result; nothing outside the folder, whatever a plan from elsewhere says."""
    inside = Path(name)
    linked = any((out / parent).is_symlink() for parent in inside.parents if parent.parts)
    if not inside.is_absolute() and ".." not in inside.parts and not linked and (out / inside).is_file():
        (out / inside).unlink()


def sweep(out: Path) -> None:
    """Take away what killed runs left. Only for the holder of the folder's lock."""
    for pattern in _LEFTOVERS:
        for path in out.glob(pattern):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
