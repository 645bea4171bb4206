"""A new site file, checked before it is put in place."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geotools.errors import OutputError
from geotools.io.files import local_file, write_text
from geotools.site import Site, parse_site
from geotools.site.template import relative_to, site_text

__all__ = ["inspected", "new_site_text", "write_site"]


def new_site_text(
    path: Path,
    *,
    name: str,
    fence: Path,
    terrain: Path,
    threats: Sequence[str] = (),
    inputs: Mapping[str, Any] | None = None,
    side: str | None = None,
) -> str:
    """Text of a site file that names every setting and opens without an error.

    Parameters
    ----------
    path : where the file will stand; fence and terrain beneath its folder are named relative to it.
    fence, terrain : files that are there.
    threats : names of targets, empty for the default ones.
    inputs : further settings of the section ``[input]``, None for what the files say themselves.
    side : side of the fence the beams stand on, None for the default.

    InputError where a file is not there, SiteError where a value cannot be.
    """
    files = {
        "fence": relative_to(Path(local_file(fence, "fence file")), path.parent),
        "terrain": relative_to(Path(local_file(terrain, "terrain file")), path.parent),
    }
    top: dict[str, Any] = {"name": name}
    if threats:
        top["threats"] = list(threats)
    sections: dict[str, dict[str, Any]] = {"": top, "input": {**(inputs or {}), **files}}
    if side is not None:
        sections["layout"] = {"side": side}
    text = site_text(Site, sections, Site.catalogues())
    parse_site(text, path)
    return text


def inspected(site: Site) -> tuple[list[str], list[str]]:
    """What the step inspect notes and warns of a site; nothing is kept of it. Raises what it refuses."""
    from geotools.engine.runner import Job

    with tempfile.TemporaryDirectory(prefix="geotools-") as folder, Job(site, Path(folder) / "out") as job:
        outcome = job.run("inspect")
    return outcome.notes, outcome.warnings


def write_site(path: Path, text: str, *, overwrite: bool = False) -> None:
    """Put the site file in place; OutputError where one is there already and ``overwrite`` was not given."""
    if path.exists() and not overwrite:
        raise OutputError(
            "there is a site file already", where=path, mend="add --overwrite to replace it, or choose another name"
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError("the folder of the site file cannot be made", where=path.parent, found=problem) from problem
    write_text(path, text)
