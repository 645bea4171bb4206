"""What is said of a layout made by hand: what it lacks, and what a new design throws away."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import shapely

from geotools.plan.edits import SAME_M, Meant
from geotools.steps.layout.checks import Conflict

__all__ = ["difference", "incomplete"]

Row = Mapping[str, Any]
#: Posts closer than this stand on one place: a GIS rounds what it shows.
_SAME_PLACE_M = 0.005


def _place(shape: Any) -> tuple[float, float]:
    at = shapely.Point(shape.centroid)
    return (at.x, at.y)


def incomplete(meant: Meant) -> list[Conflict]:
    """A broken rule for every head without a partner, and for every zone without a beam."""
    found = [
        Conflict(
            "head without a partner",
            row["zone_id"],
            (row["head_id"],),
            _place(row["geometry"]),
            f"level {row['level']}: one head, a {row['role']}",
            "one transmitter and one receiver",
            "put the other head back, or delete this one too",
        )
        for row in meant.lone
    ]
    found += [
        Conflict(
            "zone without a beam",
            row["zone_id"],
            (),
            _place(row["geometry"]),
            "no beam",
            "one beam or more in every zone",
            "put heads back, or delete the zone too",
        )
        for row in meant.empty_zones
    ]
    return found


def difference(before: Sequence[Row], after: Sequence[Row]) -> str:
    """In how many heads the layout before differed from the one after it, in words."""
    old, new = ({row["head_id"]: row for row in rows} for rows in (before, after))
    both = old.keys() & new.keys()
    moved = sum(old[name]["geometry"].distance(new[name]["geometry"]) > _SAME_PLACE_M for name in both)
    other = sum(abs(float(old[name]["height_m"]) - float(new[name]["height_m"])) > SAME_M for name in both)
    counts = {
        "heads that stood elsewhere": moved,
        "at another height": other,
        "that the new layout has not": len(old.keys() - both),
        "deleted ones that are back": len(new.keys() - both),
    }
    return ", ".join(f"{count} {word}" for word, count in counts.items() if count) or "nothing that stood elsewhere"
