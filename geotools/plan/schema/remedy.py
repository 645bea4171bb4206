"""The layers that say what to do about it."""

from __future__ import annotations

from geotools.plan import cautions
from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.plan import HEAD_HEIGHT, ZONE_ID
from geotools.plan.schema.style import BLACK, BLUE, GREY, ORANGE, YELLOW, Category, Style, Symbol

ADVICE = LayerSchema(
    name="advice",
    title="Advice",
    description=f"What closes each dead spot. {cautions.EARTHWORKS}",
    geometry="MultiPolygon",
    key="advice_id",
    made_by="remedy",
    fields=(
        Field("advice_id", "text", "piece of advice", nullable=False),
        Field("spot_id", "text", "dead spot it closes"),
        ZONE_ID,
        Field("threat", "text", "threat it is about"),
        Field(
            "action",
            "text",
            "what to do",
            choices=("set_heads", "add_heads", "move", "split", "cut", "fill", "grade", "nothing_to_do", "none"),
            nullable=False,
        ),
        Field("level", "text", "place in the stack of the heads to move"),
        Field("tx_height_m", "real", "height to set the transmitter head to, above the ground at its post", "m"),
        Field("rx_height_m", "real", "height to set the receiver head to, above the ground at its post", "m"),
        Field("cut_m3", "real", "earth to take away", "m3"),
        Field("fill_m3", "real", "earth to bring", "m3"),
        Field("area_m2", "real", "ground to be worked", "m2"),
        Field("depth_m", "real", "deepest cut or highest fill", "m"),
        Field("clear", "boolean", "whether the dead spot was gone in a re-run of the detection"),
        Field("dead_before_m", "real", "dead length before", "m"),
        Field("dead_after_m", "real", "dead length with the advice followed", "m"),
        Field(
            "threat_definition",
            "text",
            "what the threat is taken to be: its size and the height of its way, on which the advice rests",
        ),
        Field("reason", "text", "the advice in one sentence"),
    ),
    style=Style(
        Symbol(GREY, width=0.4, fill="none"),
        field="action",
        categories=(
            Category("set_heads", "Set the heads lower or higher", Symbol(BLUE, width=0.5, fill="none", dash="dash")),
            Category("cut", "Cut", Symbol(BLACK, width=0.3, fill="hatch", fill_colour=ORANGE)),
            Category("fill", "Fill", Symbol(BLACK, width=0.3, fill="cross hatch", fill_colour=YELLOW)),
            Category("grade", "Cut and fill", Symbol(BLACK, width=0.3, fill="hatch", fill_colour=YELLOW)),
            Category("add_heads", "Add a pair of heads", Symbol(BLUE, width=0.8, fill="none")),
            Category("move", "Move the line sideways", Symbol(BLUE, width=0.8, fill="none", dash="dash dot")),
            Category("split", "Split the zone", Symbol(GREY, width=0.8, fill="none", dash="dash")),
            Category("nothing_to_do", "Detected as it stands", Symbol(GREY, width=0.3, fill="none", dash="dot")),
            Category("none", "No remedy found", Symbol(BLACK, width=0.8, fill="none")),
        ),
    ),
)

_HEAD_CHANGES = ("stays", "set", "moved", "replaced", "added")

OPTIONS = LayerSchema(
    name="options",
    title="Options compared",
    description=(
        "Every way to close a zone's dead spots that applies, and what opens an operating window where the user has "
        "accepted it, tried on the model and priced from the site file. "
        "Prices that were not set are placeholders."
    ),
    geometry=None,
    key="option_id",
    made_by="remedy",
    fields=(
        Field("option_id", "text", "zone and option", nullable=False),
        ZONE_ID,
        Field(
            "option",
            "text",
            "what would be done",
            choices=(
                "set_heads",
                "add_low_heads",
                "add_main_heads",
                "add_top_heads",
                "move_line",
                "split",
                "split_and_grade",
                "grade",
                "set_heads_and_grade",
                "add_low_heads_and_grade",
                "change_heads",
                "none",
            ),
            nullable=False,
        ),
        Field("recommended", "boolean", "whether this is the one to take: the cheapest that was clear in a re-run"),
        Field(
            "serves",
            "text",
            "what it is for: closing dead spots, or opening an operating window that the user has accepted",
            choices=("dead spots", "window"),
        ),
        Field("clear", "boolean", "whether a re-run of the detection was without an undetected crossing"),
        Field("cost", "real", "cost at the site file's prices, in its currency"),
        Field("cost_as_drawn", "real", "cost if all turned out as drawn: what is on top is for the tolerances"),
        Field("cost_bound", "real", "no works with these heads, within what is required of the ground, cost less"),
        Field("level", "text", "place in the stack of the heads that move"),
        Field("tx_height_m", "real", "height of the transmitter head, above the ground at its post", "m"),
        Field("rx_height_m", "real", "height of the receiver head, above the ground at its post", "m"),
        Field("cut_m3", "real", "earth to take away", "m3"),
        Field("fill_m3", "real", "earth to bring", "m3"),
        Field("area_m2", "real", "ground to be worked", "m2"),
        Field("dead_before_m", "real", "dead length of the zone now", "m"),
        Field("dead_after_m", "real", "dead length with it done", "m"),
        Field(
            "weakest_before", "real", "modulation met on the easiest crossing now; detection needs the site's threshold"
        ),
        Field("weakest_after", "real", "modulation met on the easiest crossing with it done"),
        Field("reason", "text", "the option, or why it is the one to take, in one sentence"),
    ),
)

PROPOSED_HEADS = LayerSchema(
    name="proposed_heads",
    title="Heads as proposed",
    description=(
        "Every head of the state that the remedy recommends: heads that stay, that are set to another height, that "
        "are added. With cut_fill.tif beside the plan it is the whole of the proposed state. Z is the head's own "
        "level over the proposed ground."
    ),
    geometry="PointZ",
    key="head_id",
    made_by="remedy",
    fields=(
        Field("head_id", "text", "head: zone, role, level", nullable=False),
        ZONE_ID,
        Field("stands_for", "text", "zone of the layout that this one is, or is a part of", nullable=False),
        Field("part", "integer", "place among the parts of a zone that is split, along the fence line; else 1"),
        Field("role", "text", "transmitter or receiver", choices=("transmitter", "receiver"), nullable=False),
        Field("level", "text", "place in the stack", choices=("low", "main", "top"), nullable=False),
        Field("head_type", "text", "head type as named in the site file", nullable=False),
        Field(
            "height_m", "real", "height of the head's axis above the proposed ground at its post", "m", edit=HEAD_HEIGHT
        ),
        Field("existing_height_m", "real", "height as laid out; empty for a head that is added", "m"),
        Field("ground_m", "real", "proposed ground level at the post", "m"),
        Field("change", "text", "what is done to it", choices=_HEAD_CHANGES, nullable=False),
    ),
    style=Style(
        Symbol(GREY, marker="circle", size=2.4),
        field="change",
        categories=(
            Category("stays", "Head stays as it is", Symbol(GREY, marker="circle", size=2.0)),
            Category("set", "Head set to another height", Symbol(BLUE, marker="circle", size=3.4)),
            Category("moved", "Head moved with its post", Symbol(BLUE, marker="triangle", size=3.4)),
            Category("replaced", "Head of another type in its place", Symbol(ORANGE, marker="triangle", size=3.4)),
            Category("added", "Head added", Symbol(ORANGE, marker="circle", size=3.4)),
        ),
    ),
)

WATER_CROSSINGS = LayerSchema(
    name="water_crossings",
    title="Ways for water through the works",
    description=(
        "Where the proposed works would dam a flow path and a way for the water is built, from inlet to outlet. "
        "Drainage is for a licensed civil engineer; local codes govern."
    ),
    geometry="LineString",
    key="crossing_id",
    made_by="remedy",
    fields=(
        Field("crossing_id", "text", "zone and number", nullable=False),
        ZONE_ID,
        Field("kind", "text", "how the water passes", nullable=False),
        Field("inlet_m", "real", "level of the inlet", "m"),
        Field("outlet_m", "real", "level of the outlet", "m"),
        Field("length_m", "real", "from inlet to outlet", "m"),
        Field("cover_m", "real", "least depth of ground over the middle half of the way", "m"),
        Field("catchment_m2", "real", "ground that drains through it", "m2"),
        Field("cost", "real", "cost at the site file's prices, in its currency"),
    ),
    style=Style(Symbol(BLUE, width=1.0)),
)
