"""A new site file, checked before it is put in place."""

from __future__ import annotations

import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geotools.errors import OutputError, SiteError
from geotools.io.files import local_file, write_text
from geotools.site import Site, parse_site
from geotools.site.template import relative_to, section_settings, site_text, subsections

__all__ = ["inspected", "new_site_text", "write_site"]


def new_site_text(
    path: Path,
    *,
    name: str,
    fence: Path,
    terrain: Path,
    threats: Sequence[str] = (),
    inputs: Mapping[str, Any] | None = None,
    settings: Sequence[str] = (),
) -> str:
    """Text of a site file that names every setting and opens without an error.

    Parameters
    ----------
    path : where the file will stand; fence and terrain beneath its folder are named relative to it.
    fence, terrain : files that are there.
    threats : names of targets, empty for the default ones.
    inputs : further settings of the section ``[input]``, None for what the files say themselves.
    settings : further settings, as `geotools new --set` takes them; what is given elsewhere too counts from here.

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
    for section, values in _settings(settings).items():
        sections[section] = {**sections.get(section, {}), **values}
    text = site_text(Site, sections, Site.catalogues())
    parse_site(text, path)
    return text


def _settings(given: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Texts ``SECTION.NAME=VALUE`` by section; SiteError where there is no such setting."""
    known = {name: section for name, _, section in subsections(Site)}
    found: dict[str, dict[str, Any]] = {}
    for text in given:
        place, sign, value = text.partition("=")
        section, _, name = place.strip().rpartition(".")
        owner = known.get(section) if section else Site
        names = [setting.name for setting in section_settings(owner)] if owner else []
        if not sign or name not in names:
            raise SiteError(
                "no setting of that name" if sign else "a setting without a value",
                where="--set",
                found=text,
                expected=", ".join(names) if owner and sign else "SECTION.NAME=VALUE, such as detection.threshold=0.25",
            )
        found.setdefault(section, {})[name] = _value(value.strip())
    return found


def _value(text: str) -> Any:
    """A value as TOML has it; words without quotes are a text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
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
