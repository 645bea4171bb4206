"""The layers that say how much room a layout has, and which of its rules are broken."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.style import BLACK, GREEN, GREY, ORANGE, PALE, PURPLE, VERMILION, Category, Style, Symbol

CLEAR_GROUND = LayerSchema(
    name="clear_ground",
    title="Clear ground",
    description="Ground that beams and posts may use: beside the fence, or between two fences, keep-outs taken out.",
    geometry="MultiPolygon",
    key="fence_id",
    made_by="layout",
    fields=(
        Field("fence_id", "text", "fence line it lies along", nullable=False),
        Field("area_m2", "real", "area on the ground plan", "m2"),
    ),
    style=Style(Symbol(GREEN, width=0.2, fill="solid", fill_colour=PALE, opacity=0.35)),
)

WIDTHS = LayerSchema(
    name="widths",
    title="Free width",
    description="Free width of the corridor square to the line the beams follow, from obstacle to obstacle.",
    geometry="LineString",
    key="width_id",
    made_by="layout",
    fields=(
        Field("width_id", "text", "place: fence line and number", nullable=False),
        Field("fence_id", "text", "fence line it lies along", nullable=False),
        Field("chainage_m", "real", "distance along the line the beams follow", "m"),
        Field("left_m", "real", "free distance to the left of the line", "m"),
        Field("right_m", "real", "free distance to the right of the line", "m"),
        Field("width_m", "real", "both together", "m"),
        Field("needed_m", "real", "width that the widest beam of the longest zone needs at its middle", "m"),
        Field("fits", "text", "whether the beam fits", choices=("yes", "no")),
    ),
    style=Style(
        Symbol(GREY, width=0.2),
        field="fits",
        categories=(
            Category("yes", "Wide enough", Symbol(GREY, width=0.15)),
            Category("no", "Too narrow for the beam", Symbol(VERMILION, width=0.6, dash="dash")),
        ),
    ),
)

STANDOFFS = LayerSchema(
    name="standoffs",
    title="Distance of the beams from what lives beside them",
    description=(
        "For each zone why its beam stands where it does, and the ground to keep clear on either side: the beam's own "
        "width, or the reach of movers that are no threat, over level ground. The step window decides on the real "
        "ground, a week of logged alarms on site."
    ),
    geometry="LineString",
    key="zone_id",
    made_by="layout",
    fields=(
        Field("zone_id", "text", "zone", nullable=False),
        Field("fence_m", "real", "from the middle half of the beam line to the fence, on average", "m"),
        Field("asked_m", "real", "distance of layout.setback_m; empty between two fences", "m"),
        Field("outside_m", "real", "ground to keep clear on the fence's outer side, from the beam line", "m"),
        Field("outside_for", "text", "what needs that: a mover and where it lives, or the beam itself"),
        Field("inside_m", "real", "ground to keep clear on the inner side, from the beam line", "m"),
        Field("inside_for", "text", "what needs that: a mover and where it lives, or the beam itself"),
        Field("width_m", "real", "both sides together", "m"),
        Field("nearest", "text", "mover and place with the least room to spare, which the next three are for"),
        Field("reach_m", "real", "how far off the beam it reaches the threshold there, by the best estimate", "m"),
        Field("keep_m", "real", "how far it has to stay off there, with what is not known exactly", "m"),
        Field("away_m", "real", "how near to the beam its middle comes there", "m"),
        Field("reached_m", "real", "length of the beam that something reaches", "m"),
        Field("out_of_reach", "boolean", "whether nothing reaches the beam"),
        Field("cost", "real", "what the layout counted for that (prices.nuisance_m)", "currency of the site file"),
        Field("why", "text", "why the beam stands where it does"),
    ),
    style=Style(
        Symbol(GREY, width=0.3),
        field="out_of_reach",
        categories=(
            Category("1", "Out of reach of what lives beside the beam", Symbol(GREY, width=0.3)),
            Category("0", "Within reach of something that is no threat", Symbol(ORANGE, width=1.0, dash="dash")),
        ),
    ),
)

CONFLICTS = LayerSchema(
    name="conflicts",
    title="Layout conflicts",
    description="Places in conflict with a rule of the layout: what was found, what is required, how to mend it.",
    geometry="Point",
    key="conflict_id",
    made_by="layout",
    fields=(
        Field("conflict_id", "text", "rule and place", nullable=False),
        Field("step", "text", "step that found it", choices=("layout", "channels", "cameras"), nullable=False),
        Field("rule", "text", "rule in conflict", nullable=False),
        Field("zone_id", "text", "zone, or the two zones of a junction"),
        Field("head_ids", "text", "heads concerned, separated by spaces"),
        Field("found", "text", "what was found"),
        Field("expected", "text", "what is required"),
        Field("mend", "text", "what can be done"),
    ),
    style=Style(Symbol(BLACK, fill_colour=PURPLE, marker="diamond", size=3.6), label_field="rule", label_size=7.0),
)

CHANGES = LayerSchema(
    name="changes",
    title="Changes of the plan",
    description="What a re-run changed against the plan that stood before it, why, and what it costs where that plan "
    "has been built.",
    geometry="Point",
    key="change_id",
    made_by="layout",
    fields=(
        Field("change_id", "text", "head, post, zone or camera and what changed of it", nullable=False),
        Field("step", "text", "step that changed it", choices=("layout", "channels", "cameras"), nullable=False),
        Field(
            "change",
            "text",
            "what was done",
            choices=(
                "added",
                "removed",
                "moved",
                "renamed",
                "height",
                "head type",
                "polarisation",
                "role",
                "channel",
                "lens",
            ),
            nullable=False,
        ),
        Field("subject_id", "text", "head, post or camera that changed, or zone whose channel changed", nullable=False),
        Field("zone_id", "text", "zone it belongs to"),
        Field("before", "text", "how it was"),
        Field("after", "text", "how it is"),
        Field("reason", "text", "why it changed"),
        Field("price", "real", "price by the site file where the plan before was built; empty where it has none"),
    ),
    style=Style(Symbol(BLACK, fill_colour=GREEN, marker="diamond", size=2.8), label_field="change", label_size=7.0),
)
