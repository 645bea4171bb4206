"""The plugin's files as they go to users, and the zip that the GIS's plugin manager and its public repository take."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from urllib.parse import urlsplit

from geotools import __version__
from geotools.errors import InputError, OutputError
from geotools.io.files import write_bytes

__all__ = ["PLUGIN_NAME", "Publisher", "plugin_files", "write_plugin_zip"]

PLUGIN_NAME = "perimeter_geotools"
#: What the plugin consists of; whatever else lies beside it (compiled modules, an editor's files) stays where it is.
_KINDS = {".py", ".txt", ".svg", ".png", ""}
#: Names under .invalid are reserved and never open (RFC 2606, clause 2): nobody takes them for a real address.
_NO_ADDRESS = "https://geotools-perimeter.invalid"
#: The earliest time a zip can hold: the same files make the same bytes.
_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, kw_only=True)
class Publisher:
    """Who answers for a published plugin: the toolkit has no public address of its own, whoever publishes gives theirs.

    Attributes
    ----------
    homepage, tracker, repository : str
        Addresses of the pages, of the place where faults are reported, and of the source.
    email : str
        Where the repository of plugins writes to.
    """

    homepage: str = _NO_ADDRESS
    tracker: str = f"{_NO_ADDRESS}/tracker"
    repository: str = f"{_NO_ADDRESS}/repository"
    email: str = "none@geotools-perimeter.invalid"

    @property
    def missing(self) -> list[str]:
        """Names of the addresses that nobody gave."""
        return [field.name for field in fields(self) if getattr(self, field.name) == field.default]

    def checked(self) -> Publisher:
        """The same; InputError for what is no address."""
        for field, value in zip(fields(self), astuple(self), strict=True):
            if field.name == "email":
                good = re.fullmatch(r"[^\s@%]+@[^\s@%]+\.[^\s@%]+", value) is not None
            else:
                good = _is_address(value)
            if not good:
                expected = "name@domain" if field.name == "email" else "https://host/..., without spaces or %"
                raise InputError("no address", where=f"--{field.name}", found=value, expected=expected)
        return self


def _is_address(value: str) -> bool:
    # the GIS reads a % in the metadata as the beginning of a reference
    if re.search(r"[\s%]", value):
        return False
    try:
        parts = urlsplit(value)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(parts.hostname)


def plugin_files(publisher: Publisher | None = None) -> dict[str, bytes]:
    """Name and content of each file of the plugin, with this version and its publisher in the metadata."""
    publisher = publisher or Publisher()
    held = {}
    for path in sorted(Path(__file__).with_name("plugin").iterdir()):
        if path.is_file() and path.suffix in _KINDS and not path.name.startswith("."):
            held[path.name] = path.read_bytes()
    text = held["metadata.txt"].decode("utf-8").replace("@VERSION@", __version__)
    for field in fields(publisher):
        text = text.replace(f"@{field.name.upper()}@", getattr(publisher, field.name))
    held["metadata.txt"] = text.encode("utf-8")
    return held


def write_plugin_zip(path: Path, publisher: Publisher | None = None, *, overwrite: bool = False) -> Path:
    """Write the plugin as a zip with one folder in it, whole or not at all; the same bytes each time.

    Parameters
    ----------
    path : Path
        The zip, in a folder that is there.
    publisher : Publisher, optional
        Addresses for the metadata.
    overwrite : bool
        Whether a file that is there may be replaced.

    Raises
    ------
    InputError : an address is none.
    OutputError : there is a file already and ``overwrite`` was not given, or the folder cannot be written.
    """
    publisher = (publisher or Publisher()).checked()
    if path.exists() and not overwrite:
        raise OutputError("the file is there already", where=path, mend="add --overwrite, or choose another name")
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in plugin_files(publisher).items():
            entry = zipfile.ZipInfo(f"{PLUGIN_NAME}/{name}", _TIME)
            entry.compress_type, entry.create_system, entry.external_attr = zipfile.ZIP_DEFLATED, 3, 0o100644 << 16
            archive.writestr(entry, content)
    write_bytes(path, made.getvalue(), what="the zip")
    return path
