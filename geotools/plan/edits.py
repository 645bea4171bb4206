"""What a person's edits of heads, beams and zones mean together: heads are the truth, and the rest follows them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from geotools.plan import ids

__all__ = ["Meant", "as_meant"]

Row = dict[str, Any]
#: Heights closer than this are the same: a GIS rounds what it shows.
SAME_M = 0.0005


@dataclass
class Meant:
    """Heads as the edits mean them.

    Attributes
    ----------
    heads : list of dict
        Rows of heads that have their partner.
    lone : list of dict
        Rows of heads without: they stand, but make no beam.
    empty_zones : list of dict
        Rows of zones that are listed and have no beam left.
    notes : list of str
        What was made of the edits.
    """

    heads: list[Row]
    lone: list[Row] = field(default_factory=list)
    empty_zones: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def _some(names: Collection[str]) -> str:
    shown = sorted(names)
    return ", ".join(shown[:4]) + (f" and {len(shown) - 4} more" if len(shown) > 4 else "")


def _without_deleted_zones(meant: Meant, zones: Sequence[Row], beams: Sequence[Row]) -> None:
    """Take out the heads of zones that were deleted; a zone that never had a beam is new, not deleted."""
    listed = {row["zone_id"] for row in zones}
    gone = {row["zone_id"] for row in beams} - listed
    there = Counter(row["zone_id"] for row in meant.heads if row["zone_id"] in gone)
    if there:
        meant.heads = [row for row in meant.heads if row["zone_id"] not in gone]
        meant.notes.append(f"zones deleted: {_some(there)}; {there.total()} heads and their beams go with them")


def _heights_of_beams(meant: Meant, beams: Sequence[Row], heads_edited: bool) -> None:
    """Where beams' heights differ from heads': of heads that nobody touched they count, else they are dropped."""
    wanted: dict[str, float] = {}
    for beam in beams:
        for end in ("tx", "rx"):
            if beam[f"{end}_height_m"] == beam[f"{end}_height_m"]:
                wanted[beam[f"{end}_head_id"]] = float(beam[f"{end}_height_m"])
    changed = []
    for row in meant.heads:
        height = wanted.get(row["head_id"])
        if height is None or row["height_m"] is None or abs(height - float(row["height_m"])) < SAME_M:
            continue
        changed.append(row["head_id"])
        if not heads_edited:
            row["height_m"] = height
    if changed and heads_edited:
        meant.notes.append(f"heads and beams were both edited: the heights of the heads count ({_some(changed)})")
    elif changed:
        meant.notes.append(f"heights taken from the edited beams: {_some(changed)}")


def as_meant(
    heads: Sequence[Mapping[str, Any]],
    zones: Sequence[Mapping[str, Any]],
    beams: Sequence[Mapping[str, Any]],
    edited: Collection[str],
) -> Meant:
    """What a person's edits mean for the heads.

    Parameters
    ----------
    heads, zones, beams : sequence of mapping
        Rows of the layers as they stand, empty where there is no such layer.
    edited : collection of str
        Which of these layers were edited.

    Returns
    -------
    Meant
        Heads with heights in m, what stands alone, what has no beam, and what was made of it in words.
    """
    meant = Meant([dict(row) for row in heads])
    listed, lines = [dict(row) for row in zones], [dict(row) for row in beams]
    if "zones" in edited:
        _without_deleted_zones(meant, listed, lines)
    if "beams" in edited:
        _heights_of_beams(meant, lines, "heads" in edited)
        ends = {(row["zone_id"], row["level"]) for row in lines}
        again = {ids.beam_id(r["zone_id"], r["level"]) for r in meant.heads if (r["zone_id"], r["level"]) not in ends}
        if again and "heads" not in edited:
            meant.notes.append(f"beams whose heads still stand are drawn again: {_some(again)}; delete the heads")
    count = Counter((row["zone_id"], row["level"]) for row in meant.heads)
    meant.lone = [row for row in meant.heads if count[row["zone_id"], row["level"]] == 1]
    if meant.lone:
        meant.heads = [row for row in meant.heads if count[row["zone_id"], row["level"]] != 1]
        meant.notes.append(f"heads without a partner make no beam: {_some([row['head_id'] for row in meant.lone])}")
    standing = {row["zone_id"] for row in meant.heads}
    meant.empty_zones = [{**row, "levels": ""} for row in listed if row["zone_id"] not in standing]
    if meant.empty_zones:
        meant.notes.append(f"zones without a beam: {_some([row['zone_id'] for row in meant.empty_zones])}")
    return meant
