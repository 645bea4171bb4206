"""Every layer a plan can hold, declared once. Nothing else in the package declares a field."""

from __future__ import annotations

from geotools.plan.schema.batch import BATCH_SITES
from geotools.plan.schema.commission import AS_SET, COMMISSION
from geotools.plan.schema.core import Edit, Field, LayerSchema
from geotools.plan.schema.detection import BEAM_LEVELS, CROSSINGS, DEAD_SPOTS, PROFILES, RESURVEY, SENSITIVITY, VERDICTS
from geotools.plan.schema.earthwork import (
    ACCEPTANCE,
    AS_BUILT,
    EARTHWORKS,
    FLOW_CROSSINGS,
    GRADING_POINTS,
    GRADINGS,
    HEAD_HEIGHTS,
    PONDS,
)
from geotools.plan.schema.fieldwork import STAKEOUT, UPKEEP, UPKEEP_COST, WALK_HEADS, WALK_PLAN, WALK_RESULT
from geotools.plan.schema.layout import CHANGES, CLEAR_GROUND, CONFLICTS, STANDOFFS, WIDTHS
from geotools.plan.schema.money import BILL, BILL_SECTIONS
from geotools.plan.schema.plan import BEAMS, CORRIDOR, FENCE, HEADS, ZONES
from geotools.plan.schema.provenance import PROVENANCE
from geotools.plan.schema.qml import to_qml
from geotools.plan.schema.remedy import ADVICE, OPTIONS, PROPOSED_HEADS, WATER_CROSSINGS
from geotools.plan.schema.routes import ROUTE_CROSSINGS, ROUTES, SUPPLY
from geotools.plan.schema.sight import CAMERAS, VIEWS
from geotools.plan.schema.sld import to_sld
from geotools.plan.schema.style import Category, Style, Symbol
from geotools.plan.schema.weather import WINDOW_WEATHER
from geotools.plan.schema.window import NUISANCE_REACH, OPERATING_WINDOWS, SET_OFF, WINDOW_OPTIONS, WINDOW_SURFACES

LAYERS: dict[str, LayerSchema] = {
    layer.name: layer
    for layer in (
        FENCE,
        CORRIDOR,
        ZONES,
        HEADS,
        BEAMS,
        CLEAR_GROUND,
        WIDTHS,
        STANDOFFS,
        CONFLICTS,
        CHANGES,
        CAMERAS,
        VIEWS,
        VERDICTS,
        DEAD_SPOTS,
        CROSSINGS,
        BEAM_LEVELS,
        PROFILES,
        RESURVEY,
        SENSITIVITY,
        NUISANCE_REACH,
        SET_OFF,
        OPERATING_WINDOWS,
        WINDOW_OPTIONS,
        WINDOW_SURFACES,
        WINDOW_WEATHER,
        ADVICE,
        OPTIONS,
        PROPOSED_HEADS,
        WATER_CROSSINGS,
        HEAD_HEIGHTS,
        EARTHWORKS,
        GRADINGS,
        GRADING_POINTS,
        PONDS,
        FLOW_CROSSINGS,
        AS_BUILT,
        ACCEPTANCE,
        STAKEOUT,
        ROUTES,
        ROUTE_CROSSINGS,
        SUPPLY,
        WALK_PLAN,
        WALK_RESULT,
        WALK_HEADS,
        COMMISSION,
        AS_SET,
        UPKEEP,
        UPKEEP_COST,
        BILL,
        PROVENANCE,
    )
}

__all__ = [
    "ACCEPTANCE",
    "ADVICE",
    "AS_BUILT",
    "AS_SET",
    "BATCH_SITES",
    "BEAMS",
    "BEAM_LEVELS",
    "BILL",
    "BILL_SECTIONS",
    "CAMERAS",
    "CHANGES",
    "CLEAR_GROUND",
    "COMMISSION",
    "CONFLICTS",
    "CORRIDOR",
    "CROSSINGS",
    "DEAD_SPOTS",
    "EARTHWORKS",
    "FENCE",
    "FLOW_CROSSINGS",
    "GRADINGS",
    "GRADING_POINTS",
    "HEADS",
    "HEAD_HEIGHTS",
    "LAYERS",
    "NUISANCE_REACH",
    "OPERATING_WINDOWS",
    "OPTIONS",
    "PONDS",
    "PROFILES",
    "PROPOSED_HEADS",
    "PROVENANCE",
    "RESURVEY",
    "ROUTES",
    "ROUTE_CROSSINGS",
    "SENSITIVITY",
    "SET_OFF",
    "STAKEOUT",
    "STANDOFFS",
    "SUPPLY",
    "UPKEEP",
    "UPKEEP_COST",
    "VERDICTS",
    "VIEWS",
    "WALK_HEADS",
    "WALK_PLAN",
    "WALK_RESULT",
    "WATER_CROSSINGS",
    "WIDTHS",
    "WINDOW_OPTIONS",
    "WINDOW_SURFACES",
    "WINDOW_WEATHER",
    "ZONES",
    "Category",
    "Edit",
    "Field",
    "LayerSchema",
    "Style",
    "Symbol",
    "to_qml",
    "to_sld",
]
