"""Files that are handed in: local ones only, refused with a clear message; and their hashes."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

from geotools.errors import InputError, OutputError

#: Set to 1, lets GDAL open remote addresses and its virtual file systems (archives, buckets). Whoever starts the
#: program decides that, never a file that is read: a site file from elsewhere must not make a machine fetch anything.
ALLOW_REMOTE = "GEOTOOLS_ALLOW_REMOTE"

#: With less room than this on a disk, a refused write is reported with what is left.
_SHORT_OF_ROOM = 50_000_000

#: Modes of what its owner alone may read.
PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700


def remote_allowed() -> bool:
    """Whether the user requested remote and virtual files."""
    return os.environ.get(ALLOW_REMOTE) == "1"


def is_remote(name: str) -> bool:
    """Whether GDAL would take the name for something other than a file of this machine."""
    text = name.strip()
    return "://" in text or text.lower().startswith("/vsi") or text.startswith("<") or "\x00" in text


def given_file(path: Path | str, what: str) -> Path | str:
    """The path of a readable local file; or, where the user allowed it, the name of something GDAL can fetch.

    For files that GDAL opens. InputError as `local_file`.
    """
    text = str(path)
    if is_remote(text) and remote_allowed() and "\x00" not in text:
        return text
    return local_file(path, what)


_MEND_PATH = "check the path: typed, it counts from where you stand; in a site file, from the site file's folder"


def local_file(path: Path | str, what: str, *, mend: str = _MEND_PATH) -> Path:
    """The path, if it is a readable local file; InputError otherwise, for remote and virtual files too.

    mend : how to find the file where it is not there.
    """
    text = str(path)
    if is_remote(text):
        raise InputError(
            f"the {what} is not a local file",
            where=text[:200],
            expected="the path of a file on this machine",
            mend=f"fetch or unpack it first, then give its path; or set {ALLOW_REMOTE}=1 if you trust its origin",
        )
    local = Path(path)
    try:
        if local.is_dir():
            raise InputError(f"the {what} is a folder", where=local, expected="a file")
        if not local.is_file():
            raise InputError(
                f"the {what} is not there",
                where=local,
                expected="an existing file",
                mend=mend,
            )
        with open(local, "rb"):
            pass
    except (OSError, ValueError) as problem:
        raise InputError(f"the {what} cannot be opened", where=text[:200], found=problem) from problem
    return local


def disk_words(problem: object, where: Path) -> str:
    """What was refused while writing, and the room on that disk where it is short: libraries hide that it is full."""
    words = f"{type(problem).__name__}: {problem}"
    while not where.exists() and where != where.parent:
        where = where.parent
    try:
        free = shutil.disk_usage(where).free
    except OSError:
        return words
    return f"{words}; {free // 1024} KB are free on that disk" if free < _SHORT_OF_ROOM else words


def write_text(path: Path, text: str, *, private: bool = False) -> None:
    """Write a text file, stored as UTF-8, whole or not at all; otherwise as `write_bytes`."""
    write_bytes(path, text.replace("\n", os.linesep).encode("utf-8"), private=private)


def write_bytes(path: Path, content: bytes, *, what: str = "a file", private: bool = False) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : file, in a folder that is there.
    content : what it holds.
    what : what it is, for messages.
    private : whether it is for its owner alone.

    Raises
    ------
    OutputError : the folder cannot be written, or is full.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_bytes(content)
        if private:
            close_to_others(temporary)
        os.replace(temporary, path)
    except OSError as problem:
        raise OutputError(
            f"{what} could not be written",
            where=path,
            found=disk_words(problem, path.parent),
            mend="check free space and write permission of the folder",
        ) from problem
    finally:
        temporary.unlink(missing_ok=True)


def make_folders(folder: Path, *, private: bool) -> None:
    """Make a folder and those above it that are not there; those made are for their owner alone where ``private``."""
    missing = [part for part in (folder, *folder.parents) if not part.exists()]
    for part in reversed(missing):
        part.mkdir(mode=PRIVATE_FOLDER if private else 0o777, exist_ok=True)


def close_to_others(tree: Path) -> None:
    """Leave a file, or a folder with all that is in it, to its owner alone (POSIX; elsewhere nothing changes)."""
    for path in (tree, *tree.rglob("*")) if tree.is_dir() else (tree,):
        if not path.is_symlink():
            path.chmod(PRIVATE_FOLDER if path.is_dir() else PRIVATE_FILE)


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()
