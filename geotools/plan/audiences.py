"""Who sees which layers, fields and rasters of a plan, said once as `layer.field`, `layer.*` or a raster's name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from geotools.errors import SiteError
from geotools.plan.schema import LayerSchema

__all__ = ["CLIENT", "CONTRACTOR", "ENTRY", "PUBLIC", "Extract", "extract", "reduced"]

#: What an entry looks like; whether there is such a layer shows when the plan is shared.
ENTRY = r"[a-z][a-z0-9_]*\.(\*|[a-z][a-z0-9_]*)"
EVERY_FIELD = "*"

#: What anybody can see from the road. The strip and the posts stay out: where they stand shows how the site is watched.
PUBLIC: tuple[str, ...] = ("fence.fence_id", "fence.closed", "fence.length_m", "fence.height_m")
#: What has to be set out, built and moved; not who is detected where, nor what it costs.
CONTRACTOR: tuple[str, ...] = (
    *PUBLIC,
    "corridor.corridor_id",
    "corridor.fence_id",
    "corridor.half_width_m",
    "corridor.area_m2",
    "clear_ground.*",
    "zones.zone_id",
    "zones.fence_id",
    "zones.number",
    "zones.length_m",
    "zones.start_role",
    "zones.levels",
    "heads.head_id",
    "heads.zone_id",
    "heads.post_id",
    "heads.junction_id",
    "heads.role",
    "heads.level",
    "heads.head_type",
    "heads.band_ghz",
    "heads.height_m",
    "heads.ground_m",
    "heads.polarisation",
    "heads.channel",
    "heads.azimuth_deg",
    "heads.tilt_deg",
    "beams.*",
    "stakeout.*",
    "proposed_heads.*",
    "earthworks.*",
    "grading_points.*",
    "as_built.*",
    "cameras.camera_id",
    "cameras.height_m",
    "cameras.ground_m",
    "cameras.azimuth_deg",
    "cameras.tilt_deg",
    "cameras.lens_mm",
    "commission.head_id",
    "commission.post_id",
    "commission.zone_id",
    "commission.role",
    "commission.level",
    "commission.head_type",
    "commission.height_m",
    "commission.laid_out_height_m",
    "commission.grid_azimuth_deg",
    "commission.true_azimuth_deg",
    "commission.tilt_deg",
    "commission.faces_head_id",
    "commission.distance_m",
    "commission.polarisation",
    "commission.channel",
    "commission.as_set_height_m",
    "commission.as_set_azimuth_deg",
    "commission.as_set_tilt_deg",
    "commission.as_set_polarisation",
    "commission.as_set_channel",
    "commission.earth_ohm",
    "commission.foundation",
    "commission.set_on",
    "commission.set_by",
    "commission.remark",
    "water_crossings.crossing_id",
    "water_crossings.zone_id",
    "water_crossings.kind",
    "water_crossings.inlet_m",
    "water_crossings.outlet_m",
    "water_crossings.length_m",
    "water_crossings.cover_m",
    "routes.route_id",
    "routes.kind",
    "routes.laid",
    "routes.source_id",
    "routes.from_place",
    "routes.to_place",
    "routes.length_m",
    "routes.road_m",
    "routes.drains",
    "routes.fences",
    "routes.cable_m",
    "routes.conduit_m",
    "route_crossings.*",
    "design.tif",
    "cut_fill.tif",
)
#: What was found and is proposed, with its reasons; not the working figures behind it.
CLIENT: tuple[str, ...] = (
    "fence.*",
    "corridor.*",
    "zones.*",
    "heads.*",
    "beams.*",
    "clear_ground.*",
    "conflicts.*",
    "changes.*",
    "widths.*",
    "standoffs.*",
    "set_off.*",
    "operating_windows.*",
    "window_options.*",
    "window_weather.*",
    "verdicts.*",
    "dead_spots.*",
    "crossings.*",
    "advice.*",
    "options.*",
    "proposed_heads.*",
    "earthworks.*",
    "gradings.*",
    "water_crossings.*",
    "ponds.*",
    "flow_crossings.*",
    "cameras.*",
    "views.*",
    "as_built.*",
    "acceptance.*",
    "walk_test.*",
    "walk_result.*",
    "commission.*",
    "as_set.*",
    "walk_heads.*",
    "upkeep.*",
    "upkeep_cost.*",
    "routes.*",
    "route_crossings.*",
    "supply.*",
    "bill.*",
    "provenance.step",
    "provenance.version",
    "provenance.plan_crs",
    "provenance.vertical_datum",
    "provenance.vertical_unit",
    "provenance.citations",
    "provenance.cautions",
    "crawl_gap.tif",
    "cut_fill.tif",
    "design.tif",
)


@dataclass(frozen=True)
class Extract:
    """What one audience sees: layers with the fields that are left, and names of rasters."""

    layers: tuple[LayerSchema, ...]
    rasters: frozenset[str]


def extract(entries: Iterable[str], known: Mapping[str, LayerSchema], where: str) -> Extract:
    """The layers and rasters that a table names.

    Parameters
    ----------
    entries : iterable of str
        ``layer.field``, ``layer.*`` or the name of a raster.
    known : mapping of str to LayerSchema
        Every declared layer.
    where : str
        Setting that the table stands in, for the error.

    Raises
    ------
    SiteError
        Where a layer or field is not declared.
    """
    fields: dict[str, set[str]] = {}
    rasters = set()
    for entry in entries:
        if entry.endswith(".tif"):
            rasters.add(entry)
            continue
        layer, _, field = entry.partition(".")
        schema = known.get(layer)
        if schema is None:
            raise SiteError("no layer of that name", where=where, found=entry, expected=", ".join(known))
        if field != EVERY_FIELD and field not in schema.field_names:
            names = ", ".join(schema.field_names)
            raise SiteError("the layer has no field of that name", where=where, found=entry, expected=f"{names}, or *")
        fields.setdefault(layer, set()).update(schema.field_names if field == EVERY_FIELD else [field])
    layers = tuple(reduced(schema, fields[name]) for name, schema in known.items() if name in fields)
    return Extract(layers, frozenset(rasters))


def reduced(schema: LayerSchema, fields: Iterable[str]) -> LayerSchema:
    """The layer with those fields alone; its style uses no other, and its description mentions no other.

    A description may speak of what was left out, so that only the title of a reduced layer is kept.
    """
    kept = tuple(field for field in schema if field.name in set(fields))
    if len(kept) == len(schema.fields):
        return schema
    names = {field.name for field in kept}
    style = schema.style
    if style is not None and style.field not in names:
        style = replace(style, field=None, categories=())
    if style is not None and style.label_field not in names:
        style = replace(style, label_field=None)
    key = schema.key if schema.key in names else None
    return replace(schema, fields=kept, key=key, style=style, description=schema.title)


def is_entry(text: str) -> bool:
    """Whether a text is written as an entry of the table."""
    return bool(re.fullmatch(ENTRY, text) or re.fullmatch(r"[\w-]+\.tif", text))
