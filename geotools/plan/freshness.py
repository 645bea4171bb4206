"""What every step's results were made from, kept with the plan; and in words why they no longer answer to it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

__all__ = ["PlanFacts", "Record", "changed_rows", "changed_settings", "edited_layers", "own_causes"]


@dataclass
class Record:
    """What one step read and wrote when it last ran.

    Attributes
    ----------
    step, version : str
        The step, and the toolkit's version.
    settings : dict
        Sections of the site file that it read, with their values.
    layers_read : dict of str to (str or None)
        Code of the content of each layer it read; None for one that was looked for and not there.
    files_read : dict of str to (str or None)
        The same for files.
    layers_written, files_written : dict of str to str
        Codes of what it wrote.
    rows : dict
        Codes of single rows of layers written that people edit, by layer and key.
    hand : list of str
        Layers written whose content a person had a hand in, and which were kept.
    serial : int
        Grows with every step that writes into the plan.
    """

    step: str
    version: str = ""
    settings: dict[str, Any] = field(default_factory=dict)
    layers_read: dict[str, str | None] = field(default_factory=dict)
    files_read: dict[str, str | None] = field(default_factory=dict)
    layers_written: dict[str, str] = field(default_factory=dict)
    files_written: dict[str, str] = field(default_factory=dict)
    rows: dict[str, dict[str, str]] = field(default_factory=dict)
    hand: list[str] = field(default_factory=list)
    serial: int = 0

    def to_text(self) -> str:
        """The record as JSON, without the step's name and version, which stand beside it."""
        held = asdict(self)
        return json.dumps({k: v for k, v in held.items() if k not in ("step", "version")}, sort_keys=True)

    @classmethod
    def of_text(cls, step: str, version: str, text: object) -> Record | None:
        """The record that a plan holds; None where there is none, or it was edited out of shape."""
        try:
            held = json.loads(text) if isinstance(text, str) else None
        except (ValueError, RecursionError):
            return None
        names = {f.name: f for f in fields(cls)}
        blank = cls(step, version)
        if not isinstance(held, dict) or not set(held) <= set(names):
            return None
        if any(type(value) is not type(getattr(blank, name)) for name, value in held.items()):
            return None
        return cls(step, version, **held)


@dataclass(frozen=True)
class PlanFacts:
    """How things are now.

    Attributes
    ----------
    version : str
        The toolkit's.
    settings : dict
        The whole site file, by section.
    layers : dict of str to str
        Codes of the layers that the plan holds.
    file_code : callable
        Code of an input file by its name in a record; None where it is gone.
    beside : callable
        Whether there is a file of that name beside the plan.
    """

    version: str
    settings: Mapping[str, Any]
    layers: Mapping[str, str]
    file_code: Callable[[str], str | None]
    beside: Callable[[str], bool]


def _value(value: Any) -> str:
    text = f"{value:.2f}" if isinstance(value, float) and round(value, 2) == value else json.dumps(value, default=str)
    return text if len(text) <= 40 else text[:37] + "..."


def changed_settings(before: Any, now: Any, name: str) -> list[str]:
    """Every setting that differs, as ``detection.threshold 0.20 -> 0.60``."""
    if before == now:
        return []
    if isinstance(before, Mapping) and isinstance(now, Mapping):
        return [
            words
            for key in dict.fromkeys([*before, *now])
            for words in changed_settings(before.get(key), now.get(key), f"{name}.{key}")
        ]
    return [f"{name} {_value(before)} -> {_value(now)}"]


def changed_rows(before: Mapping[str, str], now: Mapping[str, str]) -> str:
    """How many rows were changed, taken out and added, in words; empty where none."""
    both = set(before) & set(now)
    counts = {
        "changed": sum(before[key] != now[key] for key in both),
        "deleted": len(set(before) - both),
        "added": len(set(now) - both),
    }
    return ", ".join(f"{count} {word}" for word, count in counts.items() if count)


def _writers(name: str, records: Sequence[Record]) -> list[Record]:
    """Steps that wrote the layer, the last one first."""
    return sorted((r for r in records if name in r.layers_written), key=lambda r: -r.serial)


def _descends(name: str, was: str, now: str, records: Sequence[Record]) -> bool:
    """Whether the layer came from one content to the other by steps alone that fill it in."""
    held, links = {was}, [(r.layers_read.get(name), r.layers_written[name]) for r in _writers(name, records)]
    grown = True
    while grown and now not in held:
        more = {made for read, made in links if read in held}
        grown = not more <= held
        held |= more
    return now in held


def edited_layers(facts: PlanFacts, records: Sequence[Record]) -> dict[str, Record]:
    """Layers that hold something no step wrote, with the step that wrote them last."""
    found = {}
    for name, code in facts.layers.items():
        writers = _writers(name, records)
        if writers and all(r.layers_written[name] != code for r in writers):
            found[name] = writers[0]
    return found


def kept_layers(facts: PlanFacts, records: Sequence[Record]) -> set[str]:
    """Layers whose content a person had a hand in: edited since, or edited before and kept by the steps since."""
    kept = set(edited_layers(facts, records))
    for name, code in facts.layers.items():
        writer = next((r for r in _writers(name, records) if r.layers_written[name] == code), None)
        if writer is not None and name in writer.hand:
            kept.add(name)
    return kept


def _layer_words(name: str, was: str | None, facts: PlanFacts, records: Sequence[Record]) -> str:
    now = facts.layers.get(name)
    if now is None:
        return f"{name} deleted"
    edited = edited_layers(facts, records).get(name)
    if edited is not None:
        counts = changed_rows(edited.rows.get(name, {}), getattr(now, "rows", {}))
        return f"{name} edited" + (f" ({counts})" if counts else "")
    if was is None:
        return f"{name} is new"
    maker = next((r.step for r in _writers(name, records) if r.layers_written[name] == now), None)
    return f"{name} made anew" + (f" by {maker}" if maker else "")


def own_causes(record: Record, facts: PlanFacts, records: Sequence[Record], read_back: Sequence[str] = ()) -> list[str]:
    """Why a step's results do not answer to what is there now; empty where they do.

    Parameters
    ----------
    record : Record
        Of the step.
    facts : PlanFacts
        How things are.
    records : sequence of Record
        Of every step.
    read_back : sequence of str
        Layers of its own that the step takes as a person left them.
    """
    causes = []
    if record.version != facts.version:
        causes.append(f"toolkit {record.version} -> {facts.version}")
    for section, before in record.settings.items():
        causes += changed_settings(before, facts.settings.get(section), section)
    for name, was in record.files_read.items():
        now = facts.file_code(name)
        if now != was:
            causes.append(f"{name} " + ("is gone" if now is None else "is new" if was is None else "changed"))
    edited = edited_layers(facts, records)
    for name, was in record.layers_read.items():
        if name in record.layers_written:
            continue
        if facts.layers.get(name) != was:
            causes.append(_layer_words(name, was, facts, records))
    for name, made in record.layers_written.items():
        current = facts.layers.get(name)
        if current is None:
            causes.append(f"{name} is missing")
        elif name in edited:
            if name in record.layers_read or name in read_back:
                causes.append(_layer_words(name, made, facts, records))
        elif not _descends(name, made, current, records):
            causes.append(_layer_words(name, made, facts, records))
    causes += [f"{name} is missing" for name in record.files_written if not facts.beside(name)]
    return causes
