"""The layers of what alarms though nobody intrudes: reach of movers, windows, places on the user's own features."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.plan import ZONE_ID
from geotools.plan.schema.style import (
    BLACK,
    BLUE,
    GREY,
    ORANGE,
    SKY,
    VERMILION,
    YELLOW,
    Category,
    Style,
    Symbol,
)

WINDOW_STATES = ("open", "narrow", "empty")

NUISANCE_REACH = LayerSchema(
    name="nuisance_reach",
    title="Nuisance reach",
    description=(
        "For each zone and mover the ground on which it reaches the threshold of the zone's receivers, whether or not "
        "it lives there. A model: a week of logged alarms decides."
    ),
    geometry="MultiPolygon",
    key="reach_id",
    made_by="window",
    fields=(
        Field("reach_id", "text", "zone and mover", nullable=False),
        ZONE_ID,
        Field("mover", "text", "what moves, as the site file names it", nullable=False),
        Field("outside_m", "real", "farthest from the beam line, on the fence's outer side", "m"),
        Field("inside_m", "real", "farthest from the beam line, on the inner side", "m"),
        Field("length_m", "real", "length of the beam line beside which it reaches the threshold", "m"),
        Field("largest", "real", "its largest modulation anywhere beside the beam"),
        Field("must_not_alarm", "boolean", "whether the threshold has to stay above it where it lives"),
    ),
    style=Style(
        Symbol(GREY, width=0.2, fill="none"),
        field="must_not_alarm",
        categories=(
            Category(
                "1",
                "Reach of a mover that must not alarm",
                Symbol(ORANGE, width=0.2, fill="solid", fill_colour=YELLOW, opacity=0.25),
            ),
            Category(
                "0", "Reach of a mover that may alarm now and then", Symbol(GREY, width=0.2, dash="dot", fill="none")
            ),
        ),
    ),
)

SET_OFF = LayerSchema(
    name="set_off",
    title="Features that set off a zone",
    description=(
        "Places of the user's own roads, paths, trees and tracks (input.movers) with the strongest response that each "
        "mover there gives each zone within reach; the line runs from the place to the beam line."
    ),
    geometry="LineString",
    key="set_off_id",
    made_by="window",
    fields=(
        Field("set_off_id", "text", "feature, mover and zone", nullable=False),
        ZONE_ID,
        Field("feature", "text", "the user's feature, by name or number", nullable=False),
        Field("mover", "text", "what moves there", nullable=False),
        Field("modulation", "real", "strongest response of the zone"),
        Field("modulation_db", "real", "the same against the undisturbed signal, 20 log10", "dB"),
        Field("modulation_high", "real", "the same with larger movers, heads that point off, and features off place"),
        Field("from_m", "real", "where along the beam line it begins to reach the threshold; empty if nowhere", "m"),
        Field("to_m", "real", "where it ends", "m"),
        Field("chainage_m", "real", "where it is strongest, from the transmitter post", "m"),
        Field("offset_m", "real", "from the beam line, left of transmitter to receiver positive", "m"),
        Field("beam_id", "text", "pair of heads that meets it"),
        Field("sets_off", "text", "whether it reaches the site's threshold", choices=("yes", "possibly", "no")),
    ),
    style=Style(
        Symbol(GREY, width=0.3, dash="dot"),
        field="sets_off",
        categories=(
            Category("yes", "Sets the zone off", Symbol(VERMILION, width=1.0)),
            Category("possibly", "May set the zone off", Symbol(ORANGE, width=0.7, dash="dash")),
            Category("no", "Does not", Symbol(GREY, width=0.3, dash="dot")),
        ),
    ),
)

OPERATING_WINDOWS = LayerSchema(
    name="operating_windows",
    title="Operating windows",
    description=(
        "For each zone the range of thresholds between the strongest response that must not alarm and the weakest that "
        "must. A model: the walk test measures the weakest that must alarm, a week of logged alarms "
        "the strongest that must not."
    ),
    geometry="LineString",
    key="zone_id",
    made_by="window",
    fields=(
        Field("zone_id", "text", "zone", nullable=False),
        Field(
            "state",
            "text",
            "open: a threshold keeps both sides with what is not known exactly; narrow: by the best estimate alone; "
            "empty: none does",
            choices=WINDOW_STATES,
            nullable=False,
        ),
        Field("must_not", "real", "strongest response that must not alarm, modulation"),
        Field("must_not_high", "real", "the same with what is not known exactly"),
        Field("must_not_db", "real", "the strongest response against the undisturbed signal, 20 log10", "dB"),
        Field("must_not_mover", "text", "which mover gives it"),
        Field("must_not_at", "text", "where it is: the feature's name, or outside, fence, strip"),
        Field("must_not_chainage_m", "real", "where along the beam line", "m"),
        Field("must_not_offset_m", "real", "from the beam line, left of transmitter to receiver positive", "m"),
        Field("must_not_beam_id", "text", "pair of heads that meets it"),
        Field("must", "real", "weakest response that must alarm: the weakest crossing of the layer crossings"),
        Field("must_low", "real", "the same with 95 % confidence; empty where no survey accuracy is stated"),
        Field("must_db", "real", "the weakest response against the undisturbed signal, 20 log10", "dB"),
        Field("must_threat", "text", "which threat gives it"),
        Field("must_chainage_m", "real", "where it crosses: walk here", "m"),
        Field("width_db", "real", "width of the window by the best estimate; below zero where it is empty", "dB"),
        Field("threshold", "real", "the site's threshold (detection.threshold)"),
        Field("threshold_inside", "boolean", "whether that lies in the window by the best estimate"),
        Field("set_to", "real", "threshold to set at commissioning; empty where the window is empty"),
        Field(
            "closes_at_m",
            "real",
            "least depth of grass or snow looked at under which it is empty or a crossing misses the threshold; empty "
            "where none does, or without `--surfaces`",
            "m",
        ),
        Field("opens_by", "text", "what opens an empty or narrow window for the least; see window_options"),
        Field("opens_cost", "real", "what that costs", "currency of the site file"),
        Field("proposed", "text", "what the proposed state holds for this zone, by the step remedy; empty if nothing"),
    ),
    style=Style(
        Symbol(BLACK, width=0.8),
        field="state",
        categories=(
            Category("open", "Window open", Symbol(SKY, width=1.2)),
            Category("narrow", "Window narrow: open by the best estimate alone", Symbol(BLUE, width=1.2, dash="dash")),
            Category("empty", "Window empty", Symbol(VERMILION, width=1.6)),
        ),
    ),
)

WINDOW_OPTIONS = LayerSchema(
    name="window_options",
    title="What opens a window",
    description=(
        "Changes tried for each zone whose window is not open, each with both edges of the window after it, by one "
        "detection and the same field; the other zones as they stand."
    ),
    geometry=None,
    key="option_id",
    made_by="window",
    fields=(
        Field("option_id", "text", "zone and option", nullable=False),
        ZONE_ID,
        Field("option", "text", "kind of change", nullable=False),
        Field("words", "text", "what is done"),
        Field("must_not", "real", "strongest response that must not alarm, after it"),
        Field("must_not_high", "real", "the same with what is not known exactly"),
        Field("must", "real", "weakest crossing, after it"),
        Field("must_low", "real", "the same with 95 % confidence; empty where that was not computed for this change"),
        Field("state", "text", "state of the window after it", choices=WINDOW_STATES),
        Field("width_db", "real", "width of the window after it", "dB"),
        Field("set_to", "real", "threshold to set then; empty where the window is empty"),
        Field("cost", "real", "price by the site file; empty where the site file has no price for it", "currency"),
        Field("tx_x", "real", "place of the transmitter post after it", "m"),
        Field("tx_y", "real", "place of the transmitter post after it", "m"),
        Field("rx_x", "real", "place of the receiver post after it", "m"),
        Field("rx_y", "real", "place of the receiver post after it", "m"),
        Field("recommended", "boolean", "whether it is the cheapest that opens the window furthest"),
    ),
)

WINDOW_SURFACES = LayerSchema(
    name="window_surfaces",
    title="Windows under grass and snow",
    description=(
        "For each zone and depth of grass or snow its window, by the best estimate, in two bounds: the surface only "
        "hides what stands in it, or it reflects at its top. Written with `--surfaces`."
    ),
    geometry=None,
    key="surface_id",
    made_by="window",
    fields=(
        Field("surface_id", "text", "zone, depth and bound", nullable=False),
        ZONE_ID,
        Field("depth_m", "real", "depth of grass or snow", "m"),
        Field("bound", "text", "what the surface does", choices=("hides", "reflects")),
        Field("must_not", "real", "strongest response that must not alarm then"),
        Field("must_not_mover", "text", "which mover gives it"),
        Field("must", "real", "weakest crossing then"),
        Field("must_threat", "text", "which threat crosses there"),
        Field("width_db", "real", "width of the window then", "dB"),
        Field("standing_db", "real", "standing level of the zone's weakest beam then", "dB"),
        Field("keeps", "boolean", "whether the window is not empty and every crossing reaches the site's threshold"),
    ),
)
