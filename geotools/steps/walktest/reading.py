"""Reads a walk-test form back from the field: CSV, workbook or GeoPackage; what is not read is said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyogrio

from geotools.errors import InputError, OutputError
from geotools.io.files import local_file
from geotools.io.tables import day_of
from geotools.plan.forms import form_rows, text_in, unreadable, written_in
from geotools.plan.schema import WALK_PLAN
from geotools.plan.workspace import PLAN_TROUBLE

__all__ = ["FILLED", "FilledForm", "read_form", "refuse_losing"]

FILLED = ("result", "walked_on", "walker", "note")
_FORM = "walk-test form"
_LEAST = ("crossing_id", "result")
#: What a form says beside the crossings' own fields: of its paper, and of the program that held it.
_SAID = {
    "head_heights",
    "revision",
    "revision_date",
    "state_code",
    "stop",
    "coordinate_system",
    "map_unit",
    "caution",
}
_BESIDE = {*_SAID, "fid", "geometry"}
#: Fields that are no use to edit: what was walked differently belongs into the note.
_FIXED = ("zone_id", "threat", "direction", "speed_m_s", "from_post", "from_post_m", "face_head_id")
#: An edit of less than this is a rounding, m.
_SAME_PLACE_M = 0.02
_DETECTED = {"detected", "yes", "y", "1", "true", "alarm"}
_MISSED = {"missed", "no", "n", "0", "false", "not detected"}


def _result(text: str, where: str) -> str | None:
    word = text.strip().lower()
    if not word:
        return None
    if word in _DETECTED:
        return "detected"
    if word in _MISSED:
        return "missed"
    raise InputError(
        "a walk-test result is neither detected nor missed",
        where=where,
        found=text,
        expected="detected or missed (yes, no, 1, 0 are read too); empty where it was not walked",
    )


@dataclass
class FilledForm:
    """What came back from the field.

    Attributes
    ----------
    filled : dict of str to dict
        Result, day, walker and note by crossing; crossings that were not walked are left out.
    chainage : dict of str to float
        Chainage of crossings as the form has it, where it has a number, m.
    codes : dict of str to dict
        ``heads_code`` and ``ground_code`` of crossings as the form has them.
    given : dict of str to dict
        Every cell of the crossings with a result.
    notes : list of str
        What was not read.
    """

    filled: dict[str, dict[str, Any]] = field(default_factory=dict)
    chainage: dict[str, float] = field(default_factory=dict)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    given: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def edits(self, rows: Mapping[str, Mapping[str, Any]]) -> list[str]:
        """Fields in which the form differs from the plan and which are not taken over, in words."""
        counts = dict.fromkeys(_FIXED, 0)
        for crossing, given in self.given.items():
            if (planned := rows.get(crossing)) is None:
                continue
            for name in _FIXED:
                counts[name] += _differs(given.get(name), planned[name])
        return [
            f"edits of {name} in {count} rows are ignored: the plan's own count; put remarks into note"
            for name, count in counts.items()
            if count
        ]


def _differs(given: Any, planned: Any) -> bool:
    text = text_in(given)
    if not text:
        return False
    number = _number(text)
    if isinstance(planned, float) and number is not None:
        return abs(number - planned) > _SAME_PLACE_M
    return text != str(planned)


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def read_form(path: Path, forms: Path | None = None) -> FilledForm:
    """What was filled in, by crossing, and what is not read.

    Reads the form as CSV (comma, semicolon or tab), as workbook or as GeoPackage, whole or in part. InputError names
    file, row and value, and, where the file is not there, the form of that name in the folder ``forms``.
    """
    mend = "check the path: it counts from where you stand"
    if forms is not None and (forms / path.name).is_file():
        mend = f"the form of this plan lies in its folder: --results {forms / path.name}"
    local = Path(local_file(path, "results file", mend=mend))
    form = FilledForm()
    rows = form_rows(local, WALK_PLAN, _LEAST)
    empty = 0
    for number, row in enumerate(rows, start=2):
        crossing = text_in(row["crossing_id"])
        where = f"{local}, row {number}, crossing {crossing or 'without a name'}"
        result = _result(text_in(row["result"]), where)
        if result is None:
            empty += bool(crossing)
            continue
        if not crossing:
            raise InputError("a result names no crossing", where=where, expected="the form's crossing_id")
        if crossing in form.filled:
            raise InputError("a crossing has two results", where=where, mend="keep one row for each crossing")
        form.filled[crossing] = {
            "result": result,
            "walked_on": day_of(row.get("walked_on"), where),
            "walker": written_in(row, "walker", where, _FORM),
            "note": written_in(row, "note", where, _FORM),
        }
        form.given[crossing] = row
        place = _number(text_in(row.get("chainage_m")))
        if place is not None:
            form.chainage[crossing] = place
        codes = {name: text_in(row.get(name)) for name in ("heads_code", "ground_code")}
        if all(codes.values()):
            form.codes[crossing] = codes
    if empty and form.filled:
        form.notes.append(f"{empty} rows without a result are left out")
    known = set(WALK_PLAN.field_names) | _BESIDE
    strange = sorted({name for row in rows[:1] for name in row if name and name not in known})
    if strange:
        form.notes.append(f"columns that are not read: {', '.join(strange[:8])}")
    return form


def _holds_form(path: Path) -> bool:
    try:
        return WALK_PLAN.name in pyogrio.list_layers(path)[:, 0]
    except PLAN_TROUBLE as problem:
        raise unreadable(path, str(problem)[:300], WALK_PLAN.name) from None


def refuse_losing(places: Sequence[Path], kept: Mapping[str, Any]) -> None:
    """OutputError where a form or plan that is about to be replaced holds results that ``kept`` does not."""
    for place in places:
        if not place.exists():
            continue
        if place.suffix == ".gpkg" and not _holds_form(place):
            continue
        lost = sorted(set(read_form(place).filled) - set(kept))
        if lost:
            raise OutputError(
                "walk-test results would be lost",
                where=place,
                found=f"{len(lost)} crossings with a result, the first {lost[0]}",
                mend=f"read them back with --results {place}, or give --discard-results to start afresh",
            )
