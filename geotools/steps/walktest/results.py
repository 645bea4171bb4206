"""Results of a walk test: read back from the field, kept from being lost, and judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio

from geotools.errors import InputError, OutputError, unprintable
from geotools.io.files import local_file
from geotools.io.tables import read_csv
from geotools.io.vector_kind import check_database
from geotools.plan.schema import WALK_PLAN
from geotools.plan.workspace import PLAN_TROUBLE
from geotools.steps.walktest.kernel import binomial_bounds, further_trials, trials_needed

__all__ = ["FILLED", "judge", "read_results", "refuse_losing"]

FILLED = ("result", "walked_on", "walker", "note")
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


def _day(value: Any, where: str) -> date | None:
    if value is None or pd.isna(value) or not str(value).strip():
        return None
    if isinstance(value, pd.Timestamp):
        return value.date()
    try:
        return date.fromisoformat(str(value).strip()[:10].replace("/", "-"))
    except ValueError:
        raise InputError(
            "a day is not a date", where=where, found=value, expected="year-month-day, as in 2027-05-03"
        ) from None


def _unreadable(path: Path, found: str) -> InputError:
    return InputError(
        "the results cannot be read",
        where=path,
        found=found,
        expected=f"a CSV file, or a GeoPackage with the layer {WALK_PLAN.name}",
    )


def _rows(path: Path) -> list[dict[str, Any]]:
    if path.suffix.lower() == ".csv":
        return list(read_csv(path, ["crossing_id", "result"]))
    with open(path, "rb") as stream:
        if stream.read(16) != b"SQLite format 3\x00":  # by its content: another kind could fetch or open what it names
            raise _unreadable(path, "neither CSV nor GeoPackage")
    check_database(path, "results file")
    try:
        frame = pyogrio.read_dataframe(path, layer=WALK_PLAN.name, read_geometry=False)
    except PLAN_TROUBLE as problem:
        raise _unreadable(path, str(problem)[:300]) from None
    missing = [name for name in ("crossing_id", "result") if name not in frame.columns]
    if missing:
        raise InputError("the results lack fields", where=f"{path}, layer {WALK_PLAN.name}", found=missing)
    return [dict(row) for row in frame.to_dict("records")]


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value).strip()


def _written(row: Mapping[str, Any], name: str, where: str) -> str | None:
    """What somebody wrote by hand; the plan takes no character that no document can hold."""
    text = _text(row.get(name))
    code = unprintable(text)
    if code is not None:
        raise InputError(
            "a walk-test form holds a character that cannot be written",
            where=f"{where}, {name}",
            found=f"{code} in {text[:80]!r}",
            mend="take it out",
        )
    return text or None


def read_results(path: Path, forms: Path | None = None) -> dict[str, dict[str, Any]]:
    """What was filled in, by crossing; crossings that were not walked are left out.

    Reads the form as CSV (comma, semicolon or tab) or as GeoPackage. InputError names file, row and value, and, where the
    file is not there, the form of that name in the folder ``forms``.
    """
    mend = "check the path: it counts from where you stand"
    if forms is not None and (forms / path.name).is_file():
        mend = f"the form of this plan lies in its folder: --results {forms / path.name}"
    local = Path(local_file(path, "results file", mend=mend))
    filled: dict[str, dict[str, Any]] = {}
    for number, row in enumerate(_rows(local), start=2):
        crossing = _text(row["crossing_id"])
        where = f"{local}, row {number}, crossing {crossing or 'without a name'}"
        result = _result(_text(row["result"]), where)
        if result is None:
            continue
        if not crossing:
            raise InputError("a result names no crossing", where=where, expected="the form's crossing_id")
        if crossing in filled:
            raise InputError("a crossing has two results", where=where, mend="keep one row for each crossing")
        filled[crossing] = {
            "result": result,
            "walked_on": _day(row.get("walked_on"), where),
            "walker": _written(row, "walker", where),
            "note": _written(row, "note", where),
        }
    return filled


def _holds_form(path: Path) -> bool:
    try:
        return WALK_PLAN.name in pyogrio.list_layers(path)[:, 0]
    except PLAN_TROUBLE as problem:
        raise _unreadable(path, str(problem)[:300]) from None


def refuse_losing(places: Sequence[Path], kept: Mapping[str, Any]) -> None:
    """OutputError where a form or plan that is about to be replaced holds results that ``kept`` does not."""
    for place in places:
        if not place.exists():
            continue
        if place.suffix != ".csv" and not _holds_form(place):
            continue
        lost = sorted(set(read_results(place)) - set(kept))
        if lost:
            raise OutputError(
                "walk-test results would be lost",
                where=place,
                found=f"{len(lost)} crossings with a result, the first {lost[0]}",
                mend=f"read them back with --results {place}, or give --discard-results to start afresh",
            )


def _next(detected: int, walked: int, planned: int, wanted: tuple[float, float], further: int) -> tuple[str, str]:
    p, c = wanted
    if walked == 0:
        return "not walked", f"Walk the {planned} planned crossings."
    lower, upper = (float(b) for b in binomial_bounds(detected, walked, c))
    missed = walked - detected
    if lower >= p:
        return (
            "demonstrated",
            f"Demonstrated: at least {lower:.2f} at {100 * c:g} % confidence. Repeat after changes of ground or heads.",
        )
    if upper < p:
        return "failed", (
            f"Below {p:.2f} at {100 * c:g} % confidence. Look at the missed places, mend ground or heads there, "
            f"then walk all {trials_needed(p, c)} crossings again."
        )
    if missed:
        return "not demonstrated yet", (
            f"{missed} missed. If nothing is changed, {further} more crossings must all be detected; better mend the "
            f"missed places and walk {trials_needed(p, c)} afresh."
        )
    return "not demonstrated yet", f"{further} more crossings, all detected, demonstrate it."


def judge(rows: Sequence[Mapping[str, Any]], probability: float, confidence: float) -> list[dict[str, Any]]:
    """One row of WALK_RESULT for each zone and threat, in the order they stand in the plan."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["zone_id"], row["threat"]), []).append(row)
    made = []
    for (zone, threat), group in groups.items():
        done = [row for row in group if row["result"]]
        detected = sum(row["result"] == "detected" for row in done)
        further = further_trials(detected, len(done), probability, confidence)
        verdict, following = _next(detected, len(done), len(group), (probability, confidence), further)
        lower, upper = binomial_bounds(detected, len(done), confidence) if done else (np.nan, np.nan)
        made.append(
            {
                "result_id": f"{zone} {threat}",
                "zone_id": zone,
                "threat": threat,
                "planned": len(group),
                "walked": len(done),
                "detected": detected,
                "probability": detected / len(done) if done else None,
                "lower": float(lower),
                "upper": float(upper),
                "unexpected_misses": sum(row["result"] == "missed" and row["expected"] == "detected" for row in done),
                "further": further,
                "verdict": verdict,
                "next": following,
            }
        )
    return made
