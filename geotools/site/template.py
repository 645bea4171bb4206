"""The site file written out: every setting with its words, unit, range and default, made from the declarations."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic.fields import FieldInfo

from geotools.site.base import SiteSection

__all__ = [
    "Setting",
    "relative_to",
    "repeated",
    "section_settings",
    "site_text",
    "subsections",
    "toml_key",
    "toml_value",
]


@dataclass(frozen=True)
class Setting:
    """One setting as a reader sees it: ``default`` is TOML text, empty where there is none or it must be given."""

    name: str
    help: str
    unit: str
    limits: str
    default: str
    source: str
    required: bool


def toml_value(value: Any) -> str:
    """A plain value as TOML text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    # a TOML basic string escapes as JSON does, save that DEL must be escaped too
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(name: str) -> str:
    """A name as a key of TOML, in quotes where it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)


def _choices(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    if get_origin(annotation) in (Union, UnionType):
        return tuple(c for part in get_args(annotation) for c in _choices(part))
    return ()


def _limits(field: FieldInfo) -> str:
    choices = _choices(field.annotation)
    if choices:
        return ", ".join(str(c) for c in choices)
    low = next((m.ge for m in field.metadata if isinstance(m, Ge)), None)
    high = next((m.le for m in field.metadata if isinstance(m, Le)), None)
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    words = {Ge: "at least", Gt: "more than", Le: "at most", Lt: "less than"}
    parts = []
    for limit in field.metadata:
        for kind, text in words.items():
            if isinstance(limit, kind):
                parts.append(f"{text} {getattr(limit, kind.__name__.lower()):g}")
        if isinstance(limit, MinLen | MaxLen) and field.annotation is str:
            word, length = (
                ("at least", limit.min_length) if isinstance(limit, MinLen) else ("at most", limit.max_length)
            )
            parts.append(f"{word} {length} character{'' if length == 1 else 's'}")
    return ", ".join(parts)


def section_settings(section: type[SiteSection]) -> Iterator[Setting]:
    """The plain settings of a section in their order; sections inside it and the site's folder are left out."""
    for name, field in section.model_fields.items():
        default = field.get_default(call_default_factory=True) if not field.is_required() else None
        inner = field.annotation
        if field.exclude or (isinstance(inner, type) and issubclass(inner, SiteSection)):
            continue
        if isinstance(default, dict) or (get_args(inner) and _holds_section(inner)):
            continue
        extra: Mapping[str, Any] = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
        yield Setting(
            name,
            field.description or "",
            str(extra.get("unit", "")),
            _limits(field),
            "" if default is None else toml_value(default),
            str(extra.get("source", "")),
            field.is_required(),
        )


def _holds_section(annotation: Any) -> bool:
    return any(isinstance(a, type) and issubclass(a, SiteSection) for a in get_args(annotation))


def subsections(section: type[SiteSection]) -> Iterator[tuple[str, str, type[SiteSection]]]:
    """Name, words and class of every section that stands once inside another."""
    for name, field in section.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, SiteSection):
            yield name, (field.annotation.__doc__ or "").strip().splitlines()[0], field.annotation


def repeated(section: type[SiteSection]) -> Iterator[tuple[str, str, type[SiteSection]]]:
    """Heading, words and class of every section that may stand several times: ``[[stack]]``, ``[targets.NAME]``."""
    for name, field in section.model_fields.items():
        inner = [a for a in get_args(field.annotation) if isinstance(a, type) and issubclass(a, SiteSection)]
        if inner:
            heading = f"[{name}.NAME]" if get_origin(field.annotation) is dict else f"[[{name}]]"
            yield heading, field.description or "", inner[0]


def _lines(setting: Setting, given: Mapping[str, Any]) -> Iterator[str]:
    words = setting.help[:1].upper() + setting.help[1:]
    unit = f" [{setting.unit}]" if setting.unit else ""
    limits = f" ({setting.limits})" if setting.limits else ""
    source = f" {setting.source[:1].upper()}{setting.source[1:]}." if setting.source else ""
    yield f"# {words}{unit}{limits}.{source}"
    if given.get(setting.name) is not None:
        yield f"{setting.name} = {toml_value(given[setting.name])}"
    else:
        yield f"# {setting.name} = {setting.default or '...'}"


def site_text(
    site: type[SiteSection],
    values: Mapping[str, Mapping[str, Any]],
    catalogues: Mapping[str, Mapping[str, SiteSection] | Sequence[SiteSection]] | None = None,
) -> str:
    """The whole site file: given values set, every other setting there as a comment with its default.

    values : by section name; "" for the settings before the first section. catalogues : by the name of a section that
    may stand several times, what counts where the file says nothing; written out as comments.
    """
    out = ["# Site file. A line that begins with # is a comment: take the # away to change a setting.", ""]
    for setting in section_settings(site):
        out += [*_lines(setting, values.get("", {})), ""]
    for name, words, section in subsections(site):
        out += [f"[{name}]", f"# {words}", ""]
        for setting in section_settings(section):
            out += [*_lines(setting, values.get(name, {})), ""]
    for heading, words, section in repeated(site):
        held = (catalogues or {}).get(heading.strip("[]").removesuffix(".NAME"))
        out.append(f"# {words[:1].upper()}{words[1:]}.")
        if held:
            out += [*_catalogue(heading, held), ""]
            continue
        out.append(f"# {heading}")
        for setting in section_settings(section):
            *_, line = _lines(setting, {})
            out.append(f"{line}  # {setting.help}{f' [{setting.unit}]' if setting.unit else ''}")
        out.append("")
    return "\n".join(out).rstrip() + "\n"


def _catalogue(heading: str, held: Mapping[str, SiteSection] | Sequence[SiteSection]) -> Iterator[str]:
    """Every entry of a catalogue as comments; what each setting means stands with the first."""
    entries = held.items() if isinstance(held, Mapping) else (("", one) for one in held)
    told: set[str] = set()
    for number, (name, entry) in enumerate(entries):
        if number:
            yield "#"
        yield f"# {heading.replace('NAME', toml_key(name))}"
        for setting in section_settings(type(entry)):
            value = getattr(entry, setting.name)
            if value is None or (value == "" and setting.name in told):
                continue
            unit = f" [{setting.unit}]" if setting.unit else ""
            yield f"# {setting.name} = {toml_value(value)}" + (
                "" if setting.name in told else f"  # {setting.help}{unit}"
            )
            told.add(setting.name)


def relative_to(path: Path, folder: Path) -> str:
    """A path as a site file in ``folder`` should name it: relative where it lies beneath, absolute elsewhere."""
    full, base = path.resolve(), folder.resolve()
    return full.relative_to(base).as_posix() if full.is_relative_to(base) else full.as_posix()
