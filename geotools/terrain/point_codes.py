"""Codes of surveyed points that are no ground: water levels, tops of wells and walls, base stations, trees, roofs."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from geotools.errors import InputError
from geotools.io.tables import read_csv

__all__ = ["NOT_GROUND", "code_column", "left_out_words", "meaning_of", "read_codes"]

#: What a code stands for whose points are no ground (a choice of this toolkit: codes differ from crew to crew, and a
#: table of one's own replaces this one).
NOT_GROUND: dict[str, str] = {
    "wl": "water level",
    "water": "water level",
    "waterlevel": "water level",
    "well": "top of a well",
    "welltop": "top of a well",
    "base": "base station",
    "bs": "base station",
    "station": "instrument station",
    "walltop": "top of a wall",
    "tree": "tree",
    "roof": "roof",
    "bldg": "building",
    "building": "building",
}
_COLUMNS = ("code", "feature code", "feature_code", "featurecode")
_YES, _NO = {"yes", "y", "1", "true"}, {"no", "n", "0", "false"}


def code_column(names: Mapping[str, str]) -> str | None:
    """The column of codes among names in lower case, in the file's own writing; None where there is none."""
    return next((names[name] for name in _COLUMNS if name in names), None)


def meaning_of(code: str, table: Mapping[str, str]) -> str | None:
    """What a code that is no ground stands for, None where it is ground; a number at its end does not count."""
    plain = code.strip().lower()
    return table.get(plain, table.get(re.sub(r"[\s_.-]*\d+$", "", plain)))


def read_codes(path: Path) -> dict[str, str]:
    """Codes that are no ground with their meaning, from a table with the columns code, meaning and ground (yes or no).

    InputError names the row that is wrong.
    """
    found = {}
    for number, row in enumerate(read_csv(path, ["code", "meaning", "ground"]), start=2):
        ground, code = row["ground"].lower(), row["code"].lower()
        if not code or ground not in _YES | _NO:
            raise InputError(
                "a row of the code table cannot be used",
                where=f"{path}, line {number}",
                found=f"code {row['code']!r}, ground {row['ground']!r}",
                expected="a code, and yes or no under ground",
            )
        if ground in _NO:
            found[code] = row["meaning"] or "no ground by the code table"
    return found


def left_out_words(path: Path, left_out: Counter[tuple[str, str]]) -> str:
    """Which points were left out, in words; ``left_out`` counts codes with their meaning."""
    each = ", ".join(f"{count} {code} ({meaning})" for (code, meaning), count in sorted(left_out.items()))
    return f"{path.name}: left out as no ground by their code: {each}; --codes gives a table of your own"
