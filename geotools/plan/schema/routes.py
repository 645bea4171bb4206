"""The layers of cable routes: trenches, what they cross, what reaches each post."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.style import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    VERMILION,
    YELLOW,
    Category,
    Style,
    Symbol,
)

_DIG = "Locate buried services before digging. Electrical work is for licensed practice; local codes govern."

ROUTES = LayerSchema(
    name="routes",
    title="Cable routes",
    description=f"Trenches from the source points to every post, shared where they can be, and spare loops. {_DIG}",
    geometry="LineString",
    key="route_id",
    made_by="routes",
    fields=(
        Field("route_id", "text", "branch of the network", nullable=False),
        Field("kind", "text", "trench of the network, or spare loop", choices=("trench", "spare loop"), nullable=False),
        Field(
            "laid", "boolean", "whether it is laid; spare loops are where routes.spare_loops says so", nullable=False
        ),
        Field("source_id", "text", "source point it is fed from"),
        Field("from_place", "text", "source, post or joint nearer to the source"),
        Field("to_place", "text", "post or joint at its far end"),
        Field("length_m", "real", "length of the trench", "m", nullable=False),
        Field("road_m", "real", "of it beneath roads", "m"),
        Field("drains", "integer", "drains it crosses"),
        Field("fences", "integer", "fences it crosses"),
        Field("cable_m", "real", "cable in it, with the coils at posts and sources, all cables together", "m"),
        Field("conduit_m", "real", "conduit in it, all conduits together", "m"),
        Field("cost", "real", "at the site file's prices", "currency of the site file"),
        Field("current_a", "real", "current in its power cable", "A"),
        Field("drop_v", "real", "drop of voltage along it", "V"),
        Field("voltage_v", "real", "voltage at its far end", "V"),
        Field("heads_lost", "integer", "heads without power and data when it is cut, as laid"),
        Field("zones_lost", "text", "zones that then lose a post, separated by spaces"),
        Field("heads_lost_with_loops", "integer", "heads lost when it is cut and every spare loop is laid"),
    ),
    style=Style(
        Symbol(GREY, width=0.5),
        field="kind",
        categories=(
            Category("trench", "Trench", Symbol(PURPLE, width=0.7)),
            Category("spare loop", "Spare loop", Symbol(PURPLE, width=0.5, dash="dash")),
        ),
    ),
)

ROUTE_CROSSINGS = LayerSchema(
    name="route_crossings",
    title="What cable routes cross",
    description=f"Where a trench crosses a road, a drain, a fence, a flow path or a way for water. {_DIG}",
    geometry="Point",
    key="crossing_id",
    made_by="routes",
    fields=(
        Field("crossing_id", "text", "crossing", nullable=False),
        Field("route_id", "text", "branch that crosses", nullable=False),
        Field(
            "kind",
            "text",
            "what is crossed",
            choices=("road", "drain", "fence", "flow path", "way for water"),
            nullable=False,
        ),
        Field("crossed", "text", "its name"),
        Field("length_m", "real", "length of the trench across it; empty for what is a line", "m"),
    ),
    style=Style(
        Symbol(BLACK, marker="cross", size=2.6),
        field="kind",
        categories=(
            Category("road", "Under a road", Symbol(BLACK, fill_colour=ORANGE, marker="square", size=2.8)),
            Category("drain", "Across a drain", Symbol(BLACK, fill_colour=BLUE, marker="diamond", size=2.8)),
            Category("fence", "Under a fence", Symbol(BLACK, marker="cross", size=2.8)),
            Category("flow path", "Across a flow path", Symbol(BLUE, marker="cross", size=2.8)),
            Category("way for water", "Across a way for water", Symbol(BLUE, marker="circle", size=2.4)),
        ),
    ),
)

SUPPLY = LayerSchema(
    name="supply",
    title="Supply of posts",
    description=f"Source points, and what reaches every post: way, voltage, drop. {_DIG}",
    geometry="Point",
    key="place_id",
    made_by="routes",
    fields=(
        Field("place_id", "text", "post or source point", nullable=False),
        Field("kind", "text", "which of the two", choices=("source", "post"), nullable=False),
        Field("zone_id", "text", "zone of the post"),
        Field("source_id", "text", "source point it is fed from; empty where no way leads to it"),
        Field("heads", "integer", "heads on the post; of a source all that it feeds"),
        Field("power_w", "real", "power they take", "W"),
        Field("current_a", "real", "current they take; of a source all that it gives", "A"),
        Field("way_m", "real", "length of the power cable from the source", "m"),
        Field("voltage_v", "real", "voltage there; empty where the cable cannot carry the power", "V"),
        Field("drop_share", "real", "drop of voltage on the way, share of the source's"),
        Field("state", "text", "whether the drop is within routes.max_drop", choices=("within", "beyond", "no way")),
    ),
    style=Style(
        Symbol(GREY, marker="circle", size=2.0),
        field="state",
        categories=(
            Category("within", "Voltage within the limit", Symbol(BLACK, fill_colour=GREEN, marker="circle", size=2.2)),
            Category("beyond", "Voltage too low", Symbol(BLACK, fill_colour=VERMILION, marker="diamond", size=3.0)),
            Category("no way", "No way for a cable", Symbol(BLACK, fill_colour=YELLOW, marker="cross", size=3.0)),
        ),
        other="Source point",
    ),
)
