"""Heads and zones that are maintained: those of the state that every paper shows."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import LineString, MultiLineString, Point, force_2d

from geotools.earthwork.state import PlannedState
from geotools.engine.step import StepContext
from geotools.plan.schema import PROPOSED_HEADS, ZONES

__all__ = ["CarePlaces", "places_of"]


@dataclass(frozen=True)
class CarePlaces:
    """Where visits go.

    Attributes
    ----------
    head_types : dict of str to str
        Head type of every head.
    zones : dict of str to str
        Every zone, and the zone of the layout that it stands for: itself, but for parts of one that is to be split.
    points : dict of str to (str, Point)
        Of every head and zone its zone and its place on the map, m.
    """

    head_types: dict[str, str]
    zones: dict[str, str]
    points: dict[str, tuple[str, Point]]


def places_of(ctx: StepContext, state: PlannedState) -> CarePlaces:
    """Heads and zones of a state; ``ctx`` : of a step that reads zones and proposed_heads."""
    heads, laid_out = state.heads, ctx.read(ZONES)
    strips = dict(zip(laid_out["zone_id"], laid_out.geometry, strict=True))
    zones = {str(zone): str(zone) for zone in strips}
    if state.proposes:
        proposed = ctx.read(PROPOSED_HEADS)
        stands_for = dict(zip(proposed["zone_id"], proposed["stands_for"], strict=True))
        zones = {str(zone): str(stands_for.get(zone, zone)) for zone in dict.fromkeys(heads["zone_id"])}
    points = {str(h.head_id): (str(h.zone_id), h.geometry) for h in heads.itertuples()}
    lines: dict[str, list[LineString]] = {}
    for zone, line in zip(state.beams["zone_id"], force_2d(state.beams.geometry.to_numpy()), strict=True):
        lines.setdefault(str(zone), []).append(line)
    for zone in zones:
        if zone in strips:
            points[zone] = zone, strips[zone].representative_point()
        else:
            # a part of a split zone has no strip in the plan: the middle of its beams
            points[zone] = zone, MultiLineString(lines[zone]).centroid
    return CarePlaces({str(h.head_id): str(h.head_type) for h in heads.itertuples()}, zones, points)
