"""A site's settings written out again as a site file: those that were set, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from geotools.site import Site
from geotools.site.template import toml_key, toml_value

__all__ = ["as_set", "site_file_text"]


def as_set(site: Site) -> dict[str, Any]:
    """The settings that a site file or a call has set, by section; defaults are left out.

    Parameters
    ----------
    site : Site
        The site.
    """
    return site.model_dump(mode="python", exclude_unset=True, exclude_none=True)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _lines(table: Mapping[str, Any], place: str) -> Iterator[str]:
    """Plain values first: after a heading of TOML everything belongs to it."""
    for name, value in table.items():
        if value is not None and not isinstance(value, Mapping) and not _is_tables(value):
            yield f"{toml_key(name)} = {toml_value(value)}"
    for name, value in table.items():
        here = f"{place}.{toml_key(name)}" if place else toml_key(name)
        if isinstance(value, Mapping):
            yield from ("", f"[{here}]", *_lines(value, here))
        elif _is_tables(value):
            for one in value:
                yield from ("", f"[[{here}]]", *_lines(one, here))


def site_file_text(settings: Mapping[str, Any], heading: str = "") -> str:
    """Text of a site file.

    Parameters
    ----------
    settings : mapping
        Values, sections as mappings, repeated sections as lists of mappings; None is left out.
    heading : str
        Comment of the first line.
    """
    first = [f"# {heading}"] if heading else []
    return "\n".join([*first, *_lines(settings, "")]) + "\n"
