"""Rows of the layers commission and as_set."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd

from geotools.beam.profile import Beam
from geotools.detection.perimeter import Perimeter
from geotools.plan import ids
from geotools.plan.grouped import rows_by
from geotools.site import Site
from geotools.steps.commission.causes import OFF_DB, level_causes, setting_causes
from geotools.steps.commission.levels import BeamLevel
from geotools.steps.commission.reading import FILLED, deviations

__all__ = ["Row", "as_set_rows", "head_rows", "judge"]

Row = dict[str, Any]
#: What a row takes from the layer stakeout as it is.
_TAKEN = (
    "head_id",
    "post_id",
    "zone_id",
    "role",
    "level",
    "head_type",
    "height_m",
    "laid_out_height_m",
    "grid_azimuth_deg",
    "true_azimuth_deg",
    "tilt_deg",
    "faces_head_id",
    "distance_m",
    "polarisation",
    "channel",
    "geometry",
)


def head_rows(
    sheet: gpd.GeoDataFrame, levels: Mapping[tuple[str, str], BeamLevel], threshold: Mapping[str, float]
) -> list[Row]:
    """One row a head of the set-up sheet, with what its beam is expected to stand at; no field filled in.

    threshold : by zone; of the others under the empty name.
    """
    rows = []
    for head in sheet.to_dict("records"):
        beam = levels.get((head["zone_id"], head["level"]))
        rows.append(
            {
                **{name: head[name] for name in _TAKEN},
                "threshold": threshold.get(head["zone_id"], threshold[""]),
                "expected_level_db": None if beam is None else beam.expected,
                "level_low_db": None if beam is None else beam.low,
                "level_high_db": None if beam is None else beam.high,
                **dict.fromkeys(FILLED),
                "deviation_db": None,
                "set_up": "not set",
                "causes": None,
            }
        )
    return rows


def judge(
    site: Site,
    rows: Sequence[Row],
    beams: Mapping[tuple[str, str], Beam],
    model_db: Mapping[tuple[str, str], float],
    free: bool,
) -> list[str]:
    """Put deviation, set-up and causes into rows that are filled in.

    Parameters
    ----------
    site : Site
        Tolerances.
    rows : sequence of dict
        Rows of the layer commission, changed here.
    beams, model_db : mapping
        Every beam with the heights as set, and the level that the model gives it, by zone and level.
    free : bool
        Whether levels were read against free space; else as the receiver shows them.

    Returns
    -------
    list of str
        Head types of which too few levels were read to say what they count from.
    """
    read = {row["head_id"]: row for row in rows if row["as_set_level_db"] is not None}
    apart, few = _apart(read, model_db, free)
    for head, row in read.items():
        row["deviation_db"] = apart.get(head)
    for row in rows:
        if all(row[name] is None for name in FILLED):
            continue
        found = setting_causes(site, row)
        off = row["deviation_db"]
        if off is not None and abs(off) >= OFF_DB:
            key = row["zone_id"], row["level"]
            likely = "; ".join(level_causes(site, beams[key], model_db[key], off))
            found.append(f"level {abs(off):.1f} dB {'above' if off > 0 else 'below'} its prediction: {likely}")
        row["set_up"] = "off" if found else "as planned"
        row["causes"] = "; ".join(found) or None
    return few


def _apart(
    read: Mapping[str, Row], model_db: Mapping[tuple[str, str], float], free: bool
) -> tuple[dict[str, float], list[str]]:
    level = {head: float(row["as_set_level_db"]) for head, row in read.items()}
    model = {head: model_db[row["zone_id"], row["level"]] for head, row in read.items()}
    if free:
        return {head: level[head] - model[head] for head in read}, []
    # a level as received falls with the distance; against free space it does not
    spread = {head: model[head] - 20.0 * math.log10(read[head]["distance_m"]) for head in read}
    return deviations(level, spread, {head: str(row["head_type"]) for head, row in read.items()})


def as_set_rows(rows: Sequence[Row], planned: Perimeter, as_set: Perimeter) -> list[Row]:
    """Rows of the layer as_set: dead length of each zone and threat with both heights."""
    found: list[Row] = []
    by_zone = rows_by(rows, "zone_id")
    for zone_id in planned.zones:
        mine = by_zone.get(zone_id, [])
        before, after = planned.dead(zone_id), as_set.dead(zone_id)
        for threat in planned.rules.targets:
            found.append(
                {
                    "as_set_id": ids.of_threat(zone_id, threat),
                    "zone_id": zone_id,
                    "threat": threat,
                    "heads": len(mine),
                    "heads_set": sum(row["as_set_height_m"] is not None for row in mine),
                    "dead_planned_m": planned.dead_length(zone_id, {threat: before[threat]}),
                    "dead_as_set_m": as_set.dead_length(zone_id, {threat: after[threat]}),
                    "weakest_planned": planned.weakest(zone_id),
                    "weakest_as_set": as_set.weakest(zone_id),
                }
            )
    return found
