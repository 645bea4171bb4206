"""Forms filled in on site, and levels as a receiver shows them brought to the model's reference. No engine here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Any

from geotools.errors import InputError, OutputError
from geotools.io.files import local_file
from geotools.io.tables import day_of
from geotools.plan.forms import form_rows, number_in, text_in, written_in
from geotools.plan.schema import COMMISSION

__all__ = ["FILLED", "LEAST_READINGS", "deviations", "read_form", "refuse_losing_fields"]

FILLED = tuple(field.name for field in COMMISSION if field.by_hand)
#: Receivers of one head type that it takes to find what their levels count from (a choice of this toolkit).
LEAST_READINGS = 3
_FORM = "commissioning form"


def read_form(path: Path) -> dict[str, dict[str, Any]]:
    """What was filled in, by head; heads with nothing filled in are left out.

    Parameters
    ----------
    path : Path
        commission.csv, commission.gpkg, or a plan with its layer commission filled in.

    Raises
    ------
    InputError
        Names file, row, head, field and value.
    """
    local = Path(local_file(path, "results file"))
    filled: dict[str, dict[str, Any]] = {}
    for number, row in enumerate(form_rows(local, COMMISSION, ["head_id", "as_set_height_m"]), start=2):
        head = text_in(row["head_id"])
        where = f"{local}, row {number}, head {head or 'without a name'}"
        mine = {name: _field(row, name, where) for name in FILLED}
        if all(value is None for value in mine.values()):
            continue
        if not head:
            raise InputError("a row that is filled in names no head", where=where, expected="the form's head_id")
        if head in filled:
            raise InputError("a head is filled in twice", where=where, mend="keep one row for each head")
        filled[head] = mine
    return filled


def _field(row: Mapping[str, Any], name: str, where: str) -> Any:
    place = f"{where}, field {name}"
    field = COMMISSION.field(name)
    if field.edit and field.edit.lowest is not None and field.edit.highest is not None:
        number = number_in(row.get(name), place, field.edit.lowest, field.edit.highest, field.unit)
        return int(number) if number is not None and name == "as_set_channel" else number
    if name == "set_on":
        return day_of(row.get(name), place)
    text = written_in(row, name, where, _FORM)
    if name == "as_set_polarisation" and text is not None:
        word = text.lower()
        found = next((p for p in ("vertical", "horizontal") if p.startswith(word)), None)
        if found is None:
            raise InputError("a polarisation is unknown", where=place, found=text, expected="vertical or horizontal")
        return found
    return text


def refuse_losing_fields(places: Sequence[Path], kept: Mapping[str, Mapping[str, Any]]) -> None:
    """OutputError where a form that is about to be replaced holds fields that ``kept`` does not."""
    for place in places:
        if not place.exists():
            continue
        held = read_form(place)
        lost = [
            f"{head} {name}"
            for head, fields in held.items()
            for name, value in fields.items()
            if value is not None and kept.get(head, {}).get(name) is None
        ]
        if lost:
            raise OutputError(
                "a form that is filled in would be replaced",
                where=place,
                found=f"{len(lost)} fields that are not in the plan, the first {lost[0]}",
                mend=f"read it back with `--results {place}`, or move it elsewhere",
            )


def deviations(
    read_db: Mapping[str, float], model_db: Mapping[str, float], head_types: Mapping[str, str]
) -> tuple[dict[str, float], list[str]]:
    """How far each level that was read is off the model's, dB, and head types with too few readings to say.

    What a receiver's level counts from is not known: it is taken, for each head type, from the middle one of all
    differences between reading and model, so that a few heads that are off do not move it.

    Parameters
    ----------
    read_db, model_db : mapping of str to float
        By receiver head: the level as it shows it, and as the model has it with the spreading over the distance, dB.
    head_types : mapping of str to str
        Head type of each.
    """
    found: dict[str, float] = {}
    few: list[str] = []
    for kind in sorted({head_types[head] for head in read_db}):
        mine = {head: read_db[head] - model_db[head] for head in read_db if head_types[head] == kind}
        if len(mine) < LEAST_READINGS:
            few.append(kind)
            continue
        middle = median(mine.values())
        found |= {head: value - middle for head, value in mine.items()}
    return found, few
