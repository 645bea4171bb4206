"""What a worker elsewhere hands back is looked at before it enters the plan: another version may answer otherwise."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geotools.detection.chains import Tile
from geotools.detection.verdicts import StationVerdicts
from geotools.errors import StepError
from geotools.steps.gaps.tile import LAYERS, StripValues, TileResult, TileTask

__all__ = ["as_asked"]


def as_asked(found: object, task: TileTask, tile: Tile) -> TileResult:
    """The result of a tile if it is one of its zones and threats, in the shapes of their strips.

    Raises StepError where it is not; no number is checked beyond what any answer keeps.
    """
    if not isinstance(found, TileResult):
        raise _refused(tile, f"{type(found).__name__} in place of a result")
    for problem in _problems(found, task, tile):
        raise _refused(tile, problem)
    return found


def _problems(found: TileResult, task: TileTask, tile: Tile) -> Iterator[str]:
    rows = found.rows
    if not isinstance(rows, dict) or set(rows) != set(LAYERS) or not all(isinstance(r, list) for r in rows.values()):
        yield "rows of other layers"
        return
    if any(not isinstance(row, dict) for part in rows.values() for row in part):
        yield "rows that are no rows"
    if not isinstance(found.stations, dict) or set(found.stations) != set(tile.asked):
        yield "verdicts of other zones"
        return
    answered = [z for z in tile.chain.zones if z.zone_id in found.stations and z.zone_id not in found.unanswered]
    if len(found.strips) != len(answered):
        yield f"{len(found.strips)} strips of {len(answered)} zones"
        return
    for zone, strip in zip(answered, found.strips, strict=True):
        yield from _of_strip(strip, zone.line, len(task.rules.targets), zone.zone_id)
        if set(found.stations[zone.zone_id]) != set(task.rules.targets):
            yield f"verdicts of other threats in {zone.zone_id}"
        for one in found.stations[zone.zone_id].values():
            yield from _of_stations(one, strip.grid.chainage_m.size, zone.zone_id)


def _of_strip(strip: object, line: object, threats: int, zone_id: str) -> Iterator[str]:
    if not isinstance(strip, StripValues) or strip.grid.line != line:
        yield f"another strip in place of that of {zone_id}"
        return
    shape = strip.grid.chainage_m.size, strip.grid.offset_m.size
    if len(strip.gap) != 2 or len(strip.modulation) != threats:
        yield f"{len(strip.modulation)} modulations of {threats} threats in {zone_id}"
        return
    for values in (*strip.gap, *strip.modulation):
        if not isinstance(values, np.ndarray) or values.dtype.kind != "f" or values.shape != shape:
            yield f"values of {zone_id} in another shape than its strip's {shape[0]} by {shape[1]} places"
        elif np.isinf(values).any():
            yield f"values without bounds in {zone_id}"
    if any(
        isinstance(values, np.ndarray) and values.dtype.kind == "f" and (values < 0).any()
        for values in strip.modulation
    ):
        yield f"modulations below nothing in {zone_id}"


def _of_stations(one: object, count: int, zone_id: str) -> Iterator[str]:
    if not isinstance(one, StationVerdicts):
        yield f"no verdicts of the stations of {zone_id}"
        return
    for flags in (one.dead, one.law, one.missed, one.beside, one.answered):
        if flags is not None and not (
            isinstance(flags, np.ndarray) and flags.dtype == bool and flags.shape == (count,)
        ):
            yield f"verdicts of {zone_id} for other than its {count} stations"
    share = one.open_share
    if not isinstance(share, np.ndarray) or share.shape != (count,) or not ((share >= 0) & (share <= 1)).all():
        yield f"shares of the worlds in {zone_id} that are none"


def _refused(tile: Tile, found: str) -> StepError:
    asked = tile.asked
    return StepError(
        "a worker handed back something else than the answer for its zones",
        where=asked[0] if len(asked) == 1 else f"{asked[0]} to {asked[-1]}",
        found=found,
        expected="what this version of geotools computes",
        mend="give every worker the same versions of geotools and its libraries, or run without --scheduler",
    )
