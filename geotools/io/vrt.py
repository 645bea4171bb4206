"""Virtual rasters: the files they point at, checked before GDAL follows them."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

from geotools.errors import InputError
from geotools.io.files import is_remote, local_file, remote_allowed

_MAX_BYTES = 50_000_000
MAX_DEPTH = 4
_SOURCES = {"SourceFilename", "SourceDataset"}
_WORDS = {"SRS", "GCPList"}  # text that may name web addresses without anything being opened


def parse_xml(path: Path, what: str, max_bytes: int = _MAX_BYTES) -> ElementTree.Element:
    """The root of an XML file; InputError where it is too large, broken, or declares entities of its own.

    A document type declaration is where entity expansion and external entities live; none of our formats needs one.
    """
    size = path.stat().st_size
    if size > max_bytes:
        raise InputError(f"the {what} is too large", where=path, found=f"{size} bytes", expected=f"at most {max_bytes}")
    data = path.read_bytes()
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data or b"\x00" in data:
        raise InputError(
            f"the {what} declares entities of its own, or is not plain XML text",
            where=path,
            expected="XML in UTF-8 without a document type",
            mend="take the DOCTYPE out, or save it as UTF-8",
        )
    try:
        return ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError, RecursionError) as problem:
        raise InputError(f"the {what} is not whole XML", where=path, found=problem, mend="copy it again") from problem


def is_vrt(path: Path) -> bool:
    """Whether GDAL would take the file for a virtual raster."""
    with open(path, "rb") as stream:
        return b"<VRTDataset" in stream.read(4096)


def vrt_sources(path: Path, what: str = "terrain raster") -> list[Path]:
    """Files a virtual raster points at directly; InputError where one is not a local file."""
    found: dict[Path, None] = {}
    for element in parse_xml(path, what).iter():
        tag, name = element.tag.split("}")[-1], (element.text or "").strip()
        if not name or tag in _WORDS or (tag == "MDI" and not element.get("key", "").endswith("_DATASET")):
            continue
        source = tag in _SOURCES
        if is_remote(name) or (source and ":" in name[2:]):  # a colon after a drive letter: a driver's own address
            if remote_allowed():
                continue
            raise InputError(
                f"the {what} points at something that is not a local file",
                where=path,
                found=name[:200],
                expected="names of files on this machine",
                mend="fetch it first, then build the virtual raster anew",
            )
        if not source:
            continue
        relative = element.get("relativeToVRT", element.get("relativetoVRT", "0")) == "1"
        found[path.parent / name if relative else Path(name)] = None
    return list(found)


def check_vrt(path: Path, what: str, depth: int = 0) -> None:
    """Refuse a virtual raster that points at remote, virtual, missing or endlessly nested files."""
    if not is_vrt(path):
        return
    if depth >= MAX_DEPTH:
        raise InputError(
            f"the {what} is a virtual raster of virtual rasters, nested too deeply",
            where=path,
            expected=f"at most {MAX_DEPTH} levels",
        )
    for source in vrt_sources(path, what):
        check_vrt(local_file(source, f"file the {what} points at"), what, depth + 1)
