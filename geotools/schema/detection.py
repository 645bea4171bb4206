"""The layers that say where a person gets through."""

from __future__ import annotations

from geotools.schema.core import Field, LayerSchema
from geotools.schema.plan import ZONE_ID
from geotools.schema.style import BLACK, GREY, ORANGE, PURPLE, SKY, VERMILION, YELLOW, Category, Style, Symbol

CAUSES = ("near_head", "dip", "shadow", "standing_null", "corner", "range")

DEAD_SPOTS = LayerSchema(
    name="dead_spots",
    title="Dead spots",
    description=(
        "Places where the named threat crosses without an alarm. A model is no acceptance: walk-test every zone. "
        "Handle as sensitive: it shows where the site is weak."
    ),
    geometry="Polygon",
    key="spot_id",
    made_by="gaps",
    fields=(
        Field("spot_id", "text", "dead spot: zone, threat, number", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat that gets through", nullable=False),
        Field("method", "text", "how it was found", choices=("wave", "straightness"), nullable=False),
        Field("cause", "text", "what makes it", choices=CAUSES),
        Field("from_m", "real", "chainage of its near end from the transmitter post", "m"),
        Field("to_m", "real", "chainage of its far end from the transmitter post", "m"),
        Field("length_m", "real", "length along the zone", "m"),
        Field("area_m2", "real", "area on the ground plan", "m2"),
        Field("crawl_gap_m", "real", "largest space between ground and detection floor", "m"),
        Field(
            "depth_m",
            "real",
            "how far the space exceeds the threat's own height (wave) or the tolerance (straightness)",
            "m",
        ),
        Field("modulation", "real", "best modulation the easiest crossing meets; an alarm needs the site's threshold"),
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
        ),
        label_field="threat",
    ),
)

CROSSINGS = LayerSchema(
    name="crossings",
    title="Weakest crossings",
    description=(
        "For each zone and threat the easiest way across, from outside to inside: the way whose largest modulation is "
        "smallest, all beams of all zones taken together. Handle as sensitive: it shows where the site is weak."
    ),
    geometry="LineString",
    key="crossing_id",
    made_by="gaps",
    fields=(
        Field("crossing_id", "text", "crossing: zone and threat", nullable=False),
        ZONE_ID,
        Field("threat", "text", "threat that crosses", nullable=False),
        Field("modulation", "real", "largest modulation met on the way; an alarm needs the site's threshold"),
        Field("outcome", "text", "whether that reaches the threshold", choices=("unseen", "alarmed"), nullable=False),
        Field("chainage_m", "real", "where the way crosses the beam line, from the transmitter post", "m"),
        Field("length_m", "real", "length of the way inside the corridor", "m"),
        Field("site_weakest", "boolean", "whether no zone of the site has a weaker crossing for this threat"),
    ),
    style=Style(
        Symbol(GREY, width=0.4),
        field="outcome",
        categories=(
            Category("unseen", "Crossing without an alarm", Symbol(VERMILION, width=0.9)),
            Category("alarmed", "Weakest crossing, alarmed", Symbol(GREY, width=0.4, dash="dash")),
        ),
    ),
)

BEAM_LEVELS = LayerSchema(
    name="beam_levels",
    title="Standing levels",
    description="What each beam receives with nobody in it, against the same heads in free space.",
    geometry=None,
    key="beam_id",
    made_by="gaps",
    fields=(
        Field("beam_id", "text", "beam: zone and level", nullable=False),
        ZONE_ID,
        Field("level", "text", "place in the stack", choices=("low", "usual", "top"), nullable=False),
        Field("standing_level_db", "real", "signal against perfectly aimed heads in free space", "dB"),
        Field("in_null", "boolean", "whether the beam stands in a two-ray null, below -10 dB"),
    ),
)
