"""Where a run's results are put together before they take their place, and what is written beside the plan."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rasterio.errors import RasterioError

from geotools import __version__
from geotools.engine.lock import NO_LINK
from geotools.errors import OutputError
from geotools.io.files import PRIVATE_FILE, disk_words, make_folders
from geotools.io.publish import SCRATCH_PREFIX
from geotools.plan.cautions import CAUTIONS

__all__ = ["LOG_NAME", "SUMMARY_NAME", "log", "make_folder", "scratch_folder", "summary_text", "writing"]

SUMMARY_NAME = "summary.json"
LOG_NAME = "run.log"


@contextmanager
def writing(where: Path) -> Iterator[None]:
    """Whatever the system refuses while results are written, said as one error."""
    try:
        yield
    except (OSError, sqlite3.Error, RasterioError) as problem:
        raise OutputError(
            "a result could not be written; what stood there before is untouched",
            where=where,
            found=disk_words(problem, where),
            mend="check free space and write permission of the folder",
        ) from problem


@contextmanager
def scratch_folder(out: Path) -> Iterator[Path]:
    """An empty folder on the output's disk that is gone afterwards."""
    with writing(out):
        made = tempfile.TemporaryDirectory(prefix=SCRATCH_PREFIX, dir=out, ignore_cleanup_errors=True)
    with made as name:
        yield Path(name)


def make_folder(out: Path, inside: str = "", *, private: bool = True) -> None:
    """Make the output folder, or one inside it; OutputError where the system refuses.

    ``private`` : what is made is for its owner alone; a folder that is there keeps its mode.
    """
    try:
        make_folders(out / inside, private=private)
        if not (out / inside).is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(out / inside))
    except OSError as problem:
        raise OutputError(
            "the output folder cannot be made",
            where=out,
            found=problem,
            mend="choose another folder, or change the permission of the one it stands in",
        ) from problem


def log(out: Path, step: str, state: str, detail: Mapping[str, Any], *, private: bool = True) -> None:
    """Add a line to the run's log: the step, how it ended, and what was said; made for its owner alone if private."""
    stamp = datetime.now(UTC).isoformat(timespec="seconds")
    line = json.dumps({"time": stamp, "step": step, "state": state, **detail}, default=str)
    try:
        # a link in a folder from elsewhere must not lead the log to another file
        mode = PRIVATE_FILE if private else 0o666
        place = os.open(out / LOG_NAME, os.O_WRONLY | os.O_APPEND | os.O_CREAT | NO_LINK, mode)
        with open(place, "a", encoding="utf-8") as file:
            file.write(line + "\n")
    except OSError:
        # A full disk must not hide the error that is being logged; the step's own outcome is what counts.
        return


def summary_text(out: Path, site_name: str, step: str, figures: Mapping[str, Any]) -> str:
    """The text of the summary with this step's figures put in."""
    path = out / SUMMARY_NAME
    summary: Any = {}
    if path.exists():
        try:
            summary = json.loads(path.read_text(encoding="utf-8"))
        except (ValueError, OSError, RecursionError):
            summary = {}  # made anew: it repeats what the plan holds
    if not isinstance(summary, dict) or not isinstance(summary.get("steps"), dict):
        summary = {"steps": {}}
    summary |= {"site": site_name, "version": __version__, "cautions": list(CAUTIONS)}
    summary["steps"][step] = dict(figures)
    return json.dumps(summary, indent=2, sort_keys=True, default=str) + "\n"
