"""The catalogue as tables: targets, movers, head types, stack rules, maintenance tasks, with figures and their mark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from geotools.cli.markdown import cell, table
from geotools.site import Site
from geotools.site.base import PLACEHOLDER, SiteSection
from geotools.site.catalogue import COMMON
from geotools.site.template import section_settings

__all__ = ["CATALOGUES_OF", "catalogue_data", "catalogue_tables"]

#: Where the figures of a catalogue come from, where its entries do not say it themselves.
_MARKS = {"targets": COMMON, "head_types": PLACEHOLDER, "movers": PLACEHOLDER}
#: Steps whose manual page shows catalogues, and which.
CATALOGUES_OF = {
    "layout": ("targets", "head_types", "stack_rules"),
    "gaps": ("targets", "head_types"),
    "window": ("movers",),
    "channels": ("head_types",),
    "stakeout": ("head_types",),
    "upkeep": ("maintenance",),
}


def catalogue_data() -> dict[str, list[dict[str, Any]]]:
    """Every catalogue by its section of the site file: one mapping an entry, settings without a value left out."""
    found: dict[str, list[dict[str, Any]]] = {}
    for section, held in Site.catalogues().items():
        named: Mapping[str, SiteSection] = held if isinstance(held, Mapping) else {}
        entries: Sequence[SiteSection] = list(named.values()) if named else list(held)
        names = [{"name": name} for name in named] or [{} for _ in entries]
        mark = {"source": _MARKS[section]} if section in _MARKS else {}
        found[section] = [
            {**name, **{k: v for k, v in one.model_dump().items() if v not in (None, "", ())}, **mark}
            for name, one in zip(names, entries, strict=True)
        ]
    return found


def catalogue_tables(sections: Sequence[str]) -> str:
    """Markdown tables of these catalogues."""
    data = catalogue_data()
    out = []
    for section in sections:
        rows = data[section]
        names = list(dict.fromkeys(name for row in rows for name in row))
        units = _units(section)
        columns = [f"`{n}`" + (f" [{units[n]}]" if units.get(n) else "") for n in names]
        words = [[cell(_shown(row.get(name, ""))) for name in names] for row in rows]
        out += [f"**{section.replace('_', ' ').capitalize()}**", "", table(columns, words)]
    return "\n".join(out)


def _units(section: str) -> dict[str, str]:
    held = Site.catalogues()[section]
    one = next(iter(held.values() if isinstance(held, Mapping) else held))
    return {setting.name: setting.unit for setting in section_settings(type(one))}


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)
