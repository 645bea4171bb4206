"""The layers that say where a person gets through."""

from __future__ import annotations

from geotools.plan import cautions
from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.plan import ZONE_ID
from geotools.plan.schema.style import (
    BLACK,
    BLUE,
    GREY,
    ORANGE,
    PURPLE,
    SKY,
    VERDICT_COLOURS,
    VERMILION,
    YELLOW,
    Category,
    Style,
    Symbol,
)

#: What makes a dead spot, as the layers name it and as people say it.
CAUSES = {
    "near_head": "near a head",
    "dip": "dip",
    "shadow": "behind a crest",
    "standing_null": "beam in a null",
    "corner": "corner",
    "junction": "open junction",
    "range": "heads too far apart for this threat",
}

DEAD_SPOTS = LayerSchema(
    name="dead_spots",
    title="Dead spots",
    description=(f"Places where the named threat crosses undetected. {cautions.DETECTION} {cautions.SENSITIVE}"),
    geometry="Polygon",
    key="spot_id",
    made_by="gaps",
    fields=(
        Field("spot_id", "text", "dead spot: zone, threat, number", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat that crosses undetected", nullable=False),
        Field("method", "text", "how it was found", choices=("wave", "straightness"), nullable=False),
        Field("cause", "text", "what makes it", choices=tuple(CAUSES)),
        Field("from_m", "real", "chainage of its near end from the transmitter post", "m"),
        Field("to_m", "real", "chainage of its far end from the transmitter post", "m"),
        Field("length_m", "real", "length along the zone", "m"),
        Field("area_m2", "real", "area on the ground plan", "m2"),
        Field("crawl_gap_m", "real", "largest space between ground and detection floor", "m"),
        Field(
            "depth_m",
            "real",
            "how far the space exceeds the threat's own height (wave; 0 where the whole body alarms less than a "
            "lower one would) or the tolerance (straightness)",
            "m",
        ),
        Field("modulation", "real", "best modulation the easiest crossing meets; detection needs the site's threshold"),
        Field("probability", "real", "chance of an undetected crossing, given the survey's accuracy", "1"),
        Field(
            "certainty",
            "text",
            "certain from 0.95, likely from 0.50, else undecided with this survey",
            choices=("certain", "likely", "cannot_tell"),
        ),
    ),
    style=Style(
        Symbol(BLACK, width=0.3, fill_colour=GREY),
        field="cause",
        categories=(
            Category("near_head", "Dead spot near a head", Symbol(BLACK, width=0.3, fill_colour=SKY, opacity=0.8)),
            Category("dip", "Dead spot in a dip", Symbol(BLACK, width=0.5, fill_colour=VERMILION, opacity=0.9)),
            Category(
                "shadow", "Dead spot behind a crest", Symbol(BLACK, width=0.5, fill="cross hatch", fill_colour=PURPLE)
            ),
            Category(
                "standing_null",
                "Dead spot of a beam in a null",
                Symbol(BLACK, width=0.3, fill="hatch", fill_colour=ORANGE),
            ),
            Category("corner", "Dead spot at a corner", Symbol(BLACK, width=0.3, fill_colour=YELLOW)),
            Category("junction", "Dead spot at an open junction", Symbol(BLACK, width=0.5, fill_colour=YELLOW)),
            Category(
                "range",
                "Dead spot of heads that do not serve the threat over this length",
                Symbol(BLACK, width=0.3, fill="hatch", fill_colour=BLUE),
            ),
        ),
        label_field="threat",
    ),
)

VERDICTS = LayerSchema(
    name="verdicts",
    title="Verdicts along the fence",
    description=(
        "What may be said of every metre of fence: detected with 95 % confidence, unproven, undetected, or no beam. "
        f"{cautions.DETECTION} {cautions.SENSITIVE}"
    ),
    geometry="LineString",
    key="verdict_id",
    made_by="gaps",
    fields=(
        Field("verdict_id", "text", "stretch: fence line, threat, number", nullable=False),
        Field("fence_id", "text", "fence line", nullable=False),
        Field("zone_id", "text", "zone that answers for it, empty where none does"),
        Field("threat", "text", "threat, or all: the worst of all threats", nullable=False),
        Field("from_m", "real", "beginning, along the fence line", "m"),
        Field("to_m", "real", "end, along the fence line", "m"),
        Field(
            "verdict",
            "text",
            "what may be said",
            choices=("detected", "unproven", "undetected", "no_beam"),
            nullable=False,
        ),
        Field(
            "confidence",
            "real",
            "share of the realisations drawn in which somebody is detected (undetected: passes), where least certain",
            "1",
        ),
        Field(
            "cause",
            "text",
            "why it is not detected with confidence",
            choices=(
                "no_beam",
                "no_ground",
                "survey_unstated",
                "survey_spacing",
                "not_known_exactly",
                "field_3d",
                "receiver_law",
                "walk_missed",
                "walk_contradicts",
            ),
        ),
        Field(
            "basis",
            "text",
            "what it rests on: the model, or the model and a walk test that changed its verdict here",
            choices=("model", "walk_test"),
        ),
        Field(
            "model_verdict",
            "text",
            "what the model alone says, where a walk test changed it",
            choices=("detected", "unproven", "undetected"),
        ),
        Field("model_cause", "text", "cause of the model's own verdict, where a walk test changed it"),
        Field("model_confidence", "real", "confidence of the model's own verdict, where a walk test changed it", "1"),
        Field("settle", "text", "what would settle it"),
        Field(
            "conditional_on",
            "text",
            "what the site file takes as exactly known: the verdict holds where that is so; empty where nothing is",
        ),
        Field(
            "passes_lower",
            "text",
            "of a threat that crosses at the fence's height, which the verdict is for: heights below that at which it "
            "passes undetected over level ground; empty where none is found, and of other threats",
        ),
        Field(
            "field",
            "text",
            "the field that answered: over the beam line's profile, or that and the one in three dimensions beside it",
            choices=("profile", "profile_and_3d"),
        ),
    ),
    style=Style(
        Symbol(GREY, width=1.2),
        field="verdict",
        categories=(
            Category("detected", "Detected with 95 % confidence", Symbol(VERDICT_COLOURS["detected"], width=1.0)),
            Category("unproven", "Unproven", Symbol(VERDICT_COLOURS["unproven"], width=1.6, dash="dash")),
            Category("undetected", "Undetected", Symbol(VERDICT_COLOURS["undetected"], width=2.4)),
            Category("no_beam", "No beam", Symbol(VERDICT_COLOURS["no_beam"], width=2.0, dash="dot")),
        ),
    ),
)

CROSSINGS = LayerSchema(
    name="crossings",
    title="Weakest crossings",
    description=(
        "For each zone and threat the easiest way across, from outside to inside: the way whose largest modulation is "
        "smallest, all beams of all zones taken together. "
        f"{cautions.SENSITIVE}"
    ),
    geometry="LineString",
    key="crossing_id",
    made_by="gaps",
    fields=(
        Field("crossing_id", "text", "crossing: zone and threat", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat that crosses", nullable=False),
        Field("modulation", "real", "largest modulation met on the way; detection needs the site's threshold"),
        Field(
            "modulation_95",
            "real",
            "modulation that the weakest way meets in 95 % of what is not known exactly; empty where the accuracy of "
            "the survey is not stated",
        ),
        Field(
            "outcome", "text", "whether that reaches the threshold", choices=("undetected", "detected"), nullable=False
        ),
        Field("chainage_m", "real", "where the way crosses the beam line, from the transmitter post", "m"),
        Field("length_m", "real", "length of the way inside the corridor", "m"),
        Field("site_weakest", "boolean", "whether no zone of the site has a weaker crossing for this threat"),
    ),
    style=Style(
        Symbol(GREY, width=0.4),
        field="outcome",
        categories=(
            Category("undetected", "Crossing undetected", Symbol(VERMILION, width=0.9)),
            Category(
                "detected", "Weakest crossing, detected by the best estimate", Symbol(GREY, width=0.4, dash="dash")
            ),
        ),
    ),
)

BEAM_LEVELS = LayerSchema(
    name="beam_levels",
    title="Standing levels",
    description="Received level of each beam with nobody in it, against the same heads in free space.",
    geometry=None,
    key="beam_id",
    made_by="gaps",
    fields=(
        Field("beam_id", "text", "beam: zone and level", nullable=False),
        ZONE_ID,
        Field("level", "text", "place in the stack", choices=("low", "main", "top"), nullable=False),
        Field("standing_level_db", "real", "signal against perfectly aimed heads in free space", "dB"),
        Field("in_null", "boolean", "whether the beam stands in a two-ray null, below -10 dB"),
        Field(
            "clear_tx_height_m", "real", "nearest transmitter height that leaves the null, both heads moved alike", "m"
        ),
        Field("clear_rx_height_m", "real", "receiver height that goes with it", "m"),
        Field("clear_level_db", "real", "standing level there", "dB"),
        Field("rain_fade_db", "real", "loss in the site's rain (ITU-R P.838-3)", "dB"),
    ),
)

PROFILES = LayerSchema(
    name="profiles",
    title="Ground and crawl gap along the zones",
    description="Along each zone: the ground under the beam line, and the space the easiest straight crossing has.",
    geometry=None,
    key="profile_id",
    made_by="gaps",
    fields=(
        Field("profile_id", "text", "zone and place", nullable=False),
        ZONE_ID,
        Field("chainage_m", "real", "distance from the transmitter post", "m"),
        Field("ground_m", "real", "ground level under the beam line", "m"),
        Field(
            "crawl_gap_m",
            "real",
            "smallest space under the beams met by crossing straight over here; 3 m where no lower top alarms",
            "m",
        ),
    ),
)

RESURVEY = LayerSchema(
    name="resurvey",
    title="Points to survey again",
    description=(
        "Places on the beam line where a better ground level would decide whether somebody crosses undetected. "
        "Levels to a centimetre (total station or levelled), on the bare ground."
    ),
    geometry="PointZ",
    key="point_id",
    made_by="gaps",
    fields=(
        Field("point_id", "text", "point to survey", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat it is about", nullable=False),
        Field("spot_id", "text", "dead spot it is about, empty where none was found but one is possible"),
        Field("chainage_m", "real", "distance from the transmitter post", "m"),
        Field("ground_m", "real", "level in the terrain model today", "m"),
        Field("explains", "real", "share of the answer's variance that the level here explains", "1"),
    ),
    style=Style(Symbol(PURPLE, marker="cross", size=3.2)),
)

SENSITIVITY = LayerSchema(
    name="sensitivity",
    title="Sensitivity",
    description=(
        "Dead length of each zone and threat when one setting differs a little: threshold by 0.05, grass of 0.08 m, "
        "heads 0.05 m from their height; and for each source of uncertainty the length that would be "
        "detected if it were known."
    ),
    geometry=None,
    key="row_id",
    made_by="gaps",
    fields=(
        Field("row_id", "text", "zone, threat and change", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat", nullable=False),
        Field("change", "text", "what is changed, or the source of uncertainty", nullable=False),
        Field("dead_m", "real", "length of the zone on which the threat is not detected", "m"),
        Field("more_m", "real", "how much more that is than with everything as set", "m"),
        Field("unproven_m", "real", "length that would be detected if this were known exactly", "m"),
    ),
)
