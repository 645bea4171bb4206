"""The changes that are tried to open a zone's window: heads, lines, shorter zones, a mover kept off."""

from __future__ import annotations

from dataclasses import replace

from geotools.detection.nuisance import ZoneNuisance, reach_of
from geotools.detection.openings import Opening, OpeningTrial
from geotools.plan.moving import move_words, moved_sideways, parts_of, places_beside, row_of, row_places, with_row

__all__ = ["keep_away", "openings", "shorter"]

#: Changes of the heights of both heads of a level that are tried, m.
_HEIGHTS_M = (-0.1, 0.1, -0.2, 0.2)
#: Spacing of the places that a whole row is moved to, m.
_ROW_M = 1.0


def openings(trial: OpeningTrial) -> list[Opening]:
    """Every change that applies to the zone and that nothing locked bars, by the best estimate.

    A line is moved step by step away from the mover until its window is open; nearer places cost the same.
    """
    zone, limits = trial.zone, trial.limits
    found = _of_heads(trial)
    found += [] if limits.locks.keeps_posts(zone.zone_id) else _moved(trial)
    if not any(one.option == "move_line" and one.state == "open" for one in found):
        found += _row_moved(trial)
    return found if limits.locks.keeps_whole(zone.zone_id) else found + shorter(trial)


def shorter(trial: OpeningTrial) -> list[Opening]:
    """The zone cut into two, and into three where that does not open its window."""
    zone, limits, prices = trial.zone, trial.limits, trial.limits.prices
    found: list[Opening] = []
    for parts in (2, 3):
        if zone.line.length / parts < limits.shortest_m:
            break
        cuts = tuple(zone.line.length * k / parts for k in range(1, parts))
        price = (parts - 1) * (2 * prices.post + 2 * len(zone.pairs) * prices.head)
        zones = parts_of(zone, cuts, limits.overlap_m / 2)
        zones = zones if zone.forward else zones[::-1]  # in the fence line's order
        opening = trial.tried("shorter_zones", f"{parts} zones in the place of one", zones, price)
        found.append(opening)
        if opening.state != "empty":
            break
    return found


def _of_heads(trial: OpeningTrial) -> list[Opening]:
    zone, limits = trial.zone, trial.limits
    found = []
    for pair in [pair for pair in zone.pairs if (zone.zone_id, pair.level) not in limits.locks.fixed]:
        low, high = limits.heights.get(pair.level, (pair.tx_height_m, pair.tx_height_m))
        for by in _HEIGHTS_M:
            heights = pair.tx_height_m + by, pair.rx_height_m + by
            if low - 1e-9 <= min(heights) and max(heights) <= high + 1e-9:
                words = f"set both {pair.level} heads to {heights[0]:.2f} and {heights[1]:.2f} m"
                changed = zone.with_heights(pair.level, *heights)
                found.append(trial.tried("set_heads", words, (changed,), 2 * limits.prices.set_head))
        for name, kind in limits.heads.items():
            if kind.beamwidth_az_deg < pair.head_type.beamwidth_az_deg and kind.max_range_m >= zone.line.length:
                pairs = tuple(replace(p, head_type=kind) if p is pair else p for p in zone.pairs)
                words = f"heads of type {name}, {kind.beamwidth_az_deg:g} degrees wide, at level {pair.level}"
                changed = replace(zone, pairs=pairs)
                found.append(trial.tried("narrower_heads", words, (changed,), 2 * limits.prices.head))
    return found


def _moved(trial: OpeningTrial) -> list[Opening]:
    zone, prices, first = trial.zone, trial.limits.prices, trial.window.nuisance[0]
    away = -1.0 if first.offset_m > 0.0 else 1.0
    price = 2 * prices.post + 2 * len(zone.pairs) * prices.set_head
    found: list[Opening] = []
    for offset in places_beside(zone, trial.limits.moves, trial.perimeter.rules.half_width_m):
        if offset * away <= 0.0:
            continue
        zones = (moved_sideways(zone, offset),)
        found.append(trial.tried("move_line", move_words(offset), zones, price))
        after = found[-1].window
        if found[-1].state != "empty" and after.weakest.modulation > after.above_high * 1.5:
            break
    return found


def _row_moved(trial: OpeningTrial) -> list[Opening]:
    """The whole row of zones moved away from the mover, so that no zone leaves the line of its neighbours."""
    zone, prices, first = trial.zone, trial.limits.prices, trial.window.nuisance[0]
    along = [one for one in trial.perimeter.zones.values() if one.fence_id == zone.fence_id]
    row = row_of(along, zone.zone_id, zone.fence_id in trial.perimeter.closed)
    if len(row) < 2 or any(trial.limits.locks.keeps_posts(one.zone_id) for one in row):
        return []
    away = -1.0 if first.offset_m > 0.0 else 1.0
    price = sum(2 * prices.post + 2 * len(one.pairs) * prices.set_head for one in row)
    found: list[Opening] = []
    for offset in row_places(row, zone.zone_id, trial.limits.moves, trial.limits.reach_m / 2.0, _ROW_M):
        if offset * away <= 0.0:
            continue
        moved = with_row(row, zone.zone_id, offset)
        own = moved.pop(zone.zone_id)
        names = ", ".join(sorted(moved))
        words = f"{move_words(offset)}, and those of {names} with them, as one row"
        found.append(trial.tried("move_row", words, (own,), price, tuple(moved.values())))
        after = found[-1].window
        if found[-1].state != "empty" and after.weakest.modulation > after.above_high * 1.5:
            break
    return found


def keep_away(trial: OpeningTrial, nuisance: ZoneNuisance) -> Opening | None:
    """The strongest mover kept farther from the beam line, where it is one of the user's features that can be moved."""
    first = trial.window.nuisance[0]
    limit = min(trial.window.below_low, trial.window.weakest.modulation)
    if first.mover.place == "strip" or limit <= 0.0:
        return None
    number = list(nuisance.movers).index(first.mover.name)
    left, right = reach_of(nuisance.high[:, number].max(axis=0), nuisance.grid.offset_m, limit)
    off = float((left if first.offset_m > 0.0 else right).max()) + trial.places.accuracy_m
    words = (
        f"keep {first.mover.name} {off:.1f} m or more from the beam line "
        f"({abs(first.offset_m):.1f} m now), by a barrier or by moving its way"
    )
    rest = tuple(one for one in trial.window.nuisance if one.mover.name != first.mover.name)
    return Opening("keep_away", words, (), None, (replace(trial.window, nuisance=rest),))
