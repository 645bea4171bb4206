"""The layers of setting up: what each head is to be set to, what it was set to, and what follows."""

from __future__ import annotations

from geotools.plan.schema.core import Edit, Field, LayerSchema
from geotools.plan.schema.plan import HEAD_HEIGHT, ZONE_ID
from geotools.plan.schema.style import BLUE, GREEN, GREY, VERMILION, YELLOW, Category, Style, Symbol

_SET = "to fill in: as set"

COMMISSION = LayerSchema(
    name="commission",
    title="Commissioning",
    description=(
        "One row a head: what it is to be set to, the level its beam is expected to stand at, fields for what it was "
        "set to, and what the model says of that. A model is no acceptance; walk-test every zone."
    ),
    geometry="PointZ",
    key="head_id",
    made_by="commission",
    fields=(
        Field("head_id", "text", "head: zone, role, level", nullable=False),
        Field("post_id", "text", "post it hangs on", nullable=False),
        ZONE_ID,
        Field("role", "text", "transmitter or receiver", choices=("transmitter", "receiver"), nullable=False),
        Field("level", "text", "place in the stack", choices=("low", "main", "top"), nullable=False),
        Field("head_type", "text", "head type as named in the site file", nullable=False),
        Field(
            "height_m", "real", "height to set the head's axis to, above finished ground, as in the layer stakeout", "m"
        ),
        Field(
            "laid_out_height_m",
            "real",
            "height as laid out, as in the layer heads; empty for a head that is added",
            "m",
        ),
        Field("grid_azimuth_deg", "real", "aim, clockwise from grid north", "degree"),
        Field("true_azimuth_deg", "real", "aim, clockwise from true north", "degree"),
        Field("tilt_deg", "real", "aim above (positive) or below the horizontal", "degree"),
        Field("faces_head_id", "text", "head it faces"),
        Field("distance_m", "real", "horizontal distance to that head", "m"),
        Field("polarisation", "text", "plane of the electric field", choices=("vertical", "horizontal")),
        Field("channel", "integer", "channel number, empty until channels are planned"),
        Field("threshold", "real", "modulation at which the receiver is to alarm"),
        Field("expected_level_db", "real", "level its beam is expected to stand at, against free space", "dB"),
        Field(
            "level_low_db", "real", "lowest level expected, with mounting, aim and grass within their tolerances", "dB"
        ),
        Field("level_high_db", "real", "highest level expected, likewise", "dB"),
        Field(
            "as_set_height_m",
            "real",
            f"{_SET}: height of the axis above finished ground",
            "m",
            by_hand=True,
            edit=HEAD_HEIGHT,
        ),
        Field(
            "as_set_azimuth_deg",
            "real",
            f"{_SET}: aim, clockwise from grid north",
            "degree",
            by_hand=True,
            edit=Edit(0.0, 360.0),
        ),
        Field("as_set_tilt_deg", "real", f"{_SET}: tilt", "degree", by_hand=True, edit=Edit(-45.0, 45.0)),
        Field(
            "as_set_polarisation",
            "text",
            f"{_SET}: plane of the electric field",
            choices=("vertical", "horizontal"),
            by_hand=True,
        ),
        Field("as_set_channel", "integer", f"{_SET}: channel", by_hand=True, edit=Edit(1, 100)),
        Field(
            "as_set_level_db",
            "real",
            "to fill in: level that the receiver shows with nobody in the zone",
            "dB",
            by_hand=True,
            edit=Edit(-200.0, 200.0),
        ),
        Field(
            "earth_ohm",
            "real",
            "to fill in: resistance to earth, measured at the post",
            "ohm",
            by_hand=True,
            edit=Edit(0.0, 1e6),
        ),
        Field("foundation", "text", "to fill in: foundation of the post, kind and depth", by_hand=True),
        Field("set_on", "date", "to fill in: day it was set", by_hand=True),
        Field("set_by", "text", "to fill in: who set it", by_hand=True),
        Field("remark", "text", "to fill in: remarks", by_hand=True),
        Field("deviation_db", "real", "level that was read less the level the model gives at the heights as set", "dB"),
        Field(
            "set_up",
            "text",
            "what the fields say: nothing filled in, within limits, or off",
            choices=("not set", "as planned", "off"),
            nullable=False,
        ),
        Field("causes", "text", "what is off, and what commonly causes it"),
    ),
    style=Style(
        Symbol(GREY, marker="circle", size=2.6),
        field="set_up",
        categories=(
            Category("not set", "Not set up yet", Symbol(GREY, fill_colour=YELLOW, marker="diamond", size=2.6)),
            Category("as planned", "Set up as planned", Symbol(BLUE, fill_colour=GREEN, marker="circle", size=2.6)),
            Category("off", "Set up, but off", Symbol(VERMILION, fill_colour=VERMILION, marker="triangle", size=3.4)),
        ),
    ),
)

AS_SET = LayerSchema(
    name="as_set",
    title="Detection as set up",
    description="Each zone and threat with the heads at the heights they were set to, against the heights as planned.",
    geometry=None,
    key="as_set_id",
    made_by="commission",
    fields=(
        Field("as_set_id", "text", "zone and threat", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat", nullable=False),
        Field("heads", "integer", "heads of the zone", nullable=False),
        Field("heads_set", "integer", "of them with a height as set", nullable=False),
        Field("dead_planned_m", "real", "dead length with the heights as planned", "m"),
        Field("dead_as_set_m", "real", "dead length with the heights as set; heads not set yet as planned", "m"),
        Field("weakest_planned", "real", "modulation of the weakest crossing as planned, all threats"),
        Field("weakest_as_set", "real", "the same as set"),
    ),
)
