"""The layers that say where everything stands: fence, corridor, zones, heads, beams."""

from __future__ import annotations

from dataclasses import replace

from geotools.plan.schema.core import Edit, Field, LayerSchema
from geotools.plan.schema.style import BLACK, BLUE, GREEN, GREY, ORANGE, PALE, SKY, VERMILION, Category, Style, Symbol

#: As far as a site file may set a head (`geotools.site.stacks`).
HEAD_HEIGHT = Edit(0.05, 10.0)
ZONE_ID = Field("zone_id", "text", "zone, numbered along the fence", nullable=False)

FENCE = LayerSchema(
    name="fence",
    title="Fence line",
    description="The fence lines as they were read, in the plan's coordinate system.",
    geometry="LineString",
    key="fence_id",
    made_by="inspect",
    fields=(
        Field("fence_id", "text", "fence line, numbered as read", nullable=False),
        Field("source_feature", "integer", "feature number in the source file"),
        Field("closed", "boolean", "whether the line closes on itself"),
        Field("length_m", "real", "length on the ground plan", "m"),
        Field(
            "height_m",
            "real",
            "height of the fence: its feature's field height_m, else the site's",
            "m",
            edit=Edit(0.1, 20.0),
        ),
        Field("resolves_m", "real", "distance between heights of the terrain that are independent of each other", "m"),
        Field(
            "resolves_origin",
            "text",
            "where that distance comes from: the site file, the raster's metadata, its heights, or its cell alone",
            choices=("stated", "metadata", "estimated", "cell"),
        ),
    ),
    style=Style(Symbol(BLACK, width=0.5, dash="dash dot")),
)

CORRIDOR = LayerSchema(
    name="corridor",
    title="Corridor",
    description="The strip of ground the beams illuminate, one area for each fence line.",
    geometry="MultiPolygon",
    key="corridor_id",
    made_by="layout",
    fields=(
        Field("corridor_id", "text", "corridor, as its fence line", nullable=False),
        Field("fence_id", "text", "fence line it belongs to"),
        Field("half_width_m", "real", "half of the width that was examined", "m"),
        Field("area_m2", "real", "area on the ground plan", "m2"),
        Field("least_width_m", "real", "least free width along the line the beams follow", "m"),
        Field("narrow_m", "real", "length of that line along which the widest beam does not fit", "m"),
    ),
    style=Style(Symbol(GREY, width=0.2, fill="solid", fill_colour=PALE, opacity=0.5)),
)

ZONES = LayerSchema(
    name="zones",
    title="Zones",
    description="Detection zones: the strip between a transmitter post and a receiver post.",
    geometry="Polygon",
    key="zone_id",
    made_by="layout",
    fields=(
        ZONE_ID,
        Field("fence_id", "text", "fence line the zone follows"),
        Field("number", "integer", "place along the fence line, from 1"),
        Field("length_m", "real", "distance between the two posts", "m"),
        Field("half_width_m", "real", "half of the width examined", "m"),
        Field("fence_from_m", "real", "distance along the fence where the zone begins", "m"),
        Field("fence_to_m", "real", "distance along the fence where the zone ends", "m"),
        Field(
            "start_role", "text", "head kind at the post met first along the fence", choices=("transmitter", "receiver")
        ),
        Field("levels", "text", "head levels in the stack, from the lowest, separated by spaces"),
        Field(
            "earthwork_m3",
            "real",
            "earth to move until the ground is straight enough, as the layout estimates",
            "m3",
        ),
        Field("left_open_m", "real", "length of dips that the layout estimates cheaper to leave than to fill", "m"),
        Field(
            "locked",
            "boolean",
            "to fill in: whether a new design leaves the zone's posts, heads and channel alone",
            edit=Edit(),
        ),
    ),
    style=Style(Symbol(BLUE, width=0.3, fill="none"), label_field="zone_id"),
)

HEADS = LayerSchema(
    name="heads",
    title="Heads",
    description="Transmitter and receiver heads. Z is the head's own level: ground plus height.",
    geometry="PointZ",
    key="head_id",
    made_by="layout",
    fields=(
        Field("head_id", "text", "head: zone, role, level", nullable=False, edit=Edit()),
        replace(ZONE_ID, edit=Edit()),
        Field("post_id", "text", "post the head stands on", nullable=False, edit=Edit()),
        Field("junction_id", "text", "junction of two zones it stands at, empty at an open end"),
        Field(
            "role",
            "text",
            "transmitter or receiver",
            choices=("transmitter", "receiver"),
            nullable=False,
            edit=Edit(),
        ),
        Field("level", "text", "place in the stack", choices=("low", "main", "top"), nullable=False, edit=Edit()),
        Field("head_type", "text", "head type as named in the site file", nullable=False, edit=Edit(listed=True)),
        Field("band_ghz", "real", "carrier frequency", "GHz"),
        Field("height_m", "real", "height of the head's axis above the ground at its post", "m", edit=HEAD_HEIGHT),
        Field("ground_m", "real", "ground level at the post", "m"),
        Field("polarisation", "text", "plane of the electric field", choices=("vertical", "horizontal"), edit=Edit()),
        Field("channel", "integer", "channel number, from 1", edit=Edit(1, 64)),
        Field(
            "margin_db",
            "real",
            "wanted over strongest unwanted signal on the channel, less the protection: of a receiver its own, of a "
            "transmitter the least it leaves a foreign receiver; empty where no other zone is received",
            "dB",
        ),
        Field("interferer_head_id", "text", "head at the other end of that strongest unwanted path"),
        Field("azimuth_deg", "real", "direction of aim, clockwise from grid north", "degree"),
        Field("tilt_deg", "real", "aim above (positive) or below the horizontal", "degree"),
        Field(
            "locked",
            "text",
            "to fill in: what a new design leaves alone: the place of the post, the head on its post, the channel of "
            "the zone, or head and channel",
            choices=("post", "head", "channel", "all"),
            edit=Edit(),
        ),
    ),
    style=Style(
        Symbol(GREY, marker="circle", size=2.6),
        field="role",
        categories=(
            Category(
                "transmitter", "Transmitter head", Symbol(BLACK, fill_colour=VERMILION, marker="triangle", size=3.4)
            ),
            Category("receiver", "Receiver head", Symbol(BLACK, fill_colour=SKY, marker="square", size=2.8)),
        ),
    ),
)

BEAMS = LayerSchema(
    name="beams",
    title="Beams",
    description="Line of sight from each transmitter head to its receiver head.",
    geometry="LineStringZ",
    key="beam_id",
    made_by="layout",
    fields=(
        Field("beam_id", "text", "beam: zone and level", nullable=False),
        ZONE_ID,
        Field("level", "text", "place in the stack", choices=("low", "main", "top"), nullable=False),
        Field("tx_head_id", "text", "transmitter head", nullable=False, edit=Edit(listed=True)),
        Field("rx_head_id", "text", "receiver head", nullable=False, edit=Edit(listed=True)),
        Field("head_type", "text", "head type as named in the site file", nullable=False),
        Field("band_ghz", "real", "carrier frequency", "GHz"),
        Field("length_m", "real", "distance between the heads on the ground plan", "m"),
        Field("tx_height_m", "real", "transmitter's height above the ground", "m", edit=HEAD_HEIGHT),
        Field("rx_height_m", "real", "receiver's height above the ground", "m", edit=HEAD_HEIGHT),
    ),
    style=Style(
        Symbol(GREY, width=0.3),
        field="level",
        categories=(
            Category("low", "Low beam", Symbol(ORANGE, width=0.5, dash="dot")),
            Category("main", "Main beam", Symbol(BLUE, width=0.5)),
            Category("top", "Top beam", Symbol(GREEN, width=0.5, dash="dash")),
        ),
    ),
)
