"""The files of a plan that a Python call made: listed, carried from one private folder to the next, put in place."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path, PurePosixPath

from geotools.errors import OutputError
from geotools.plan.schema import PROVENANCE
from geotools.plan.workspace import Workspace

__all__ = ["carry", "files_of", "put", "refuse_existing", "unwritten"]


def files_of(workspace: Workspace) -> list[str]:
    """Names of the files that steps wrote beside a plan and that are there."""
    if not workspace.has(PROVENANCE):
        return []
    named = " ".join(str(text) for text in workspace.read(PROVENANCE)["files"].dropna()).split()
    inside = [n for n in dict.fromkeys(named) if not PurePosixPath(n).is_absolute() and ".." not in Path(n).parts]
    return [name for name in inside if (workspace.folder / name).is_file()]


def carry(source: Path, target: Path) -> None:
    """The same file under another name: results are replaced, never written into."""
    if not source.is_file():
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def put(source: Path, target: Path) -> None:
    """A copy of the file, whole or not at all."""
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = target.with_name(f".{target.name}.{os.getpid()}.tmp")
    try:
        shutil.copyfile(source, draft)
        os.replace(draft, target)
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def refuse_existing(paths: list[Path], overwrite: bool) -> None:
    """OutputError where one of the files is there already, unless it may be replaced."""
    there = [path for path in paths if path.exists()]
    if there and not overwrite:
        raise OutputError(
            "there are results already",
            where=there[0].parent,
            found=", ".join(path.name for path in there[:5]),
            mend="give overwrite=True to replace them, or choose another place",
        )


def unwritten(where: Path, problem: OSError) -> OutputError:
    """What the system refused while a plan was written, as an error."""
    return OutputError(
        "a plan could not be written", where=where, found=problem, mend="check free space and write permission"
    )
