"""Which sites a batch does: from a folder, a TOML list or a table, each with a name and a folder of its own."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from geotools.errors import InputError, SiteError
from geotools.io.files import local_file
from geotools.io.tables import read_csv
from geotools.site.base import SiteSection, setting

MAX_MANIFEST_BYTES = 20_000_000
MAX_SITES = 100_000
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?$")


@dataclass(frozen=True)
class Entry:
    """One site of a batch: what it is called, its folder below the batch's, its site file."""

    name: str
    folder: str
    site_file: Path


class _Item(SiteSection):
    file: str = setting("path of the site file, counted from the manifest's folder", min_length=1, max_length=1000)
    name: str | None = setting("what the site is called in tables", default=None, min_length=1, max_length=200)


class _Manifest(SiteSection):
    site: tuple[_Item, ...] = setting("the sites", min_length=1, max_length=MAX_SITES)


def folder_name(name: str) -> str:
    """A file name for any text: letters, digits, dot, dash and underscore alone, no path parts, no reserved word."""
    plain = unicodedata.normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode("ascii")
    safe = re.sub(r"[^a-z0-9._]+", "-", plain).strip("-.")[:60].strip("-.")
    return f"site-{safe}" if not safe or _RESERVED.match(safe) else safe


def _entries(named: Iterable[tuple[str, Path]], where: Path) -> list[Entry]:
    taken: dict[str, str] = {}
    entries: list[Entry] = []
    for name, file in named:
        if name in taken.values():
            raise InputError(
                "two sites of the batch have one name",
                where=where,
                found=name,
                expected="a name for each",
                mend="give each site a name of its own in the manifest",
            )
        first = folder = folder_name(name)
        number = 2
        while folder in taken:
            folder, number = f"{first}-{number}", number + 1
        taken[folder] = name
        entries.append(Entry(name, folder, file))
    if not entries:
        raise InputError("the batch has no sites", where=where, expected="at least one site file")
    return entries


def _from_folder(folder: Path) -> list[Entry]:
    """Every TOML file below the folder; one called site.toml goes by the name of its folder."""
    found = []
    for path in sorted(folder.rglob("*.toml")):
        place = path.relative_to(folder)
        if any(part.startswith(".") for part in place.parts):
            continue
        named = place.parent if path.name == "site.toml" and len(place.parts) > 1 else place.with_suffix("")
        found.append((named.as_posix(), path))
        if len(found) > MAX_SITES:
            raise InputError("the folder holds too many site files", where=folder, expected=f"at most {MAX_SITES}")
    return _entries(found, folder)


def _from_toml(path: Path) -> list[Entry]:
    try:
        data: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        manifest = _Manifest.model_validate(data)
    except ValidationError as problem:
        wrong = [f"{'.'.join(map(str, e['loc'])) or 'the whole file'}: {e['msg']}" for e in problem.errors()[:5]]
        raise SiteError(
            "the manifest has an invalid setting",
            where=path,
            found="; ".join(wrong)[:600],
            expected='for each site a section [[site]] with file = "..." and, optionally, name = "..."',
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as problem:
        raise InputError("the manifest is not TOML", where=path, found=problem, mend="correct that line") from problem
    return _entries(((item.name or Path(item.file).stem, path.parent / item.file) for item in manifest.site), path)


def _from_table(path: Path) -> list[Entry]:
    rows = read_csv(path, ["file"])
    if len(rows) > MAX_SITES:
        raise InputError("the manifest has too many rows", where=path, found=len(rows), expected=f"at most {MAX_SITES}")
    named = []
    for number, row in enumerate(rows, start=2):
        if not row["file"] or "\x00" in row["file"]:
            raise InputError("a row of the manifest names no file", where=f"{path}, line {number}")
        named.append((row.get("name") or Path(row["file"]).stem, path.parent / row["file"]))
    return _entries(named, path)


def read_manifest(path: Path | str) -> list[Entry]:
    """The sites of a batch.

    Parameters
    ----------
    path : a folder (every ``.toml`` file below it is a site), a TOML file with ``[[site]]`` sections (``file``,
        ``name``), or a CSV table with a column ``file`` and, optionally ``name``. Paths count from its folder.

    Raises InputError or SiteError where it cannot be read, is empty, or names two sites alike.
    """
    given = Path(path)
    if given.is_dir():
        return _from_folder(given)
    local = local_file(given, "manifest")
    size = local.stat().st_size
    if size > MAX_MANIFEST_BYTES:
        raise InputError(
            "the manifest is too large", where=local, found=f"{size} bytes", expected=f"at most {MAX_MANIFEST_BYTES}"
        )
    return _from_toml(local) if local.suffix.lower() == ".toml" else _from_table(local)
