"""Files that are handed in: local ones only, refused with a clear message; and their hashes."""

from __future__ import annotations

import hashlib
from pathlib import Path

from geotools.errors import InputError


def local_file(path: Path | str, what: str) -> Path:
    """The path, if it is a readable local file; InputError otherwise.

    Remote addresses and virtual file systems are refused: a site file from elsewhere must not make this machine fetch
    something, or open archives, behind the user's back.
    """
    text = str(path)
    if "://" in text or text.startswith("/vsi") or text.lstrip().startswith("<") or "\x00" in text:
        raise InputError(
            f"the {what} is not a local file",
            where=text[:200],
            expected="the path of a file on this machine",
            mend="fetch or unpack it first, then give its path",
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
                mend="check the path; paths in a site file count from the site file's folder",
            )
        with open(local, "rb"):
            pass
    except (OSError, ValueError) as problem:
        raise InputError(f"the {what} cannot be opened", where=text[:200], found=problem) from problem
    return local


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()
