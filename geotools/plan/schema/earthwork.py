"""The layers an engineer reads: what is moved, how much, where the points to peg are, where water goes."""

from __future__ import annotations

from geotools.plan import cautions
from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.plan import ZONE_ID
from geotools.plan.schema.style import BLACK, BLUE, GREEN, GREY, ORANGE, SKY, VERMILION, YELLOW, Category, Style, Symbol

_DIG = cautions.EARTHWORKS

EARTHWORKS = LayerSchema(
    name="earthworks",
    title="Earthworks",
    description=f"Ground to be cut or filled, by depth class, on the design surface as run again. {_DIG}",
    geometry="MultiPolygon",
    key="work_id",
    made_by="grade",
    fields=(
        Field("work_id", "text", "zone, cut or fill, depth class", nullable=False),
        ZONE_ID,
        Field("kind", "text", "what is done", choices=("cut", "fill"), nullable=False),
        Field("depth_from_m", "real", "shallowest depth of the class", "m"),
        Field("depth_to_m", "real", "deepest depth of the class, empty for the last", "m"),
        Field("depth_max_m", "real", "deepest place", "m"),
        Field("area_m2", "real", "area on the ground plan", "m2"),
        Field("volume_m3", "real", "volume by the grid method", "m3"),
    ),
    style=Style(
        Symbol(GREY, width=0.2),
        field="kind",
        categories=(
            Category("cut", "Cut", Symbol(VERMILION, width=0.2, fill_colour=ORANGE, opacity=0.6)),
            Category("fill", "Fill", Symbol(BLUE, width=0.2, fill="hatch", fill_colour=SKY)),
        ),
    ),
)

GRADINGS = LayerSchema(
    name="gradings",
    title="Grading by zone",
    description=(
        f"Quantities of the least earthwork of each zone by three methods, and the result of the re-run. {_DIG}"
    ),
    geometry=None,
    key="zone_id",
    made_by="grade",
    fields=(
        ZONE_ID,
        Field("clear", "boolean", "whether a re-run on the whole design surface was without an undetected crossing"),
        Field("dead_before_m", "real", "dead length now", "m"),
        Field("dead_after_m", "real", "dead length on the design surface", "m"),
        Field("level", "text", "place in the stack of the heads whose line the ground follows"),
        Field("tx_height_m", "real", "height to set the transmitter head to", "m"),
        Field("rx_height_m", "real", "height to set the receiver head to", "m"),
        Field("area_m2", "real", "ground worked", "m2"),
        Field("depth_max_m", "real", "deepest cut or highest fill", "m"),
        Field("cut_grid_m3", "real", "cut by the grid method", "m3"),
        Field("fill_grid_m3", "real", "fill by the grid method", "m3"),
        Field("cut_end_area_m3", "real", "cut by average end area of the cross-sections", "m3"),
        Field("fill_end_area_m3", "real", "fill by average end area of the cross-sections", "m3"),
        Field("cut_prismoidal_m3", "real", "cut by the prismoidal formula", "m3"),
        Field("fill_prismoidal_m3", "real", "fill by the prismoidal formula", "m3"),
        Field("difference_m3", "real", "largest difference between the methods, cut or fill", "m3"),
        Field("reason", "text", "what the programme and the new run said"),
    ),
)

GRADING_POINTS = LayerSchema(
    name="grading_points",
    title="Grading points",
    description=f"Points to set out before grading. Z is the design level. {_DIG}",
    geometry="PointZ",
    key="point_id",
    made_by="grade",
    fields=(
        Field("point_id", "text", "point", nullable=False),
        ZONE_ID,
        Field("chainage_m", "real", "from the transmitter post", "m"),
        Field("offset_m", "real", "from the beam line, positive to the left", "m"),
        Field("existing_m", "real", "level of the ground now", "m"),
        Field("design_m", "real", "level of the design surface", "m"),
        Field("cut_fill_m", "real", "fill (positive) or cut (negative)", "m"),
    ),
    style=Style(Symbol(BLACK, marker="cross", size=2.0)),
)

PONDS = LayerSchema(
    name="ponds",
    title="Ponds",
    description=f"Hollows that hold water in the corridor, now and after grading. {_DIG}",
    geometry="MultiPolygon",
    key="pond_id",
    made_by="drain",
    fields=(
        Field("pond_id", "text", "pond", nullable=False),
        Field("state", "text", "on which surface", choices=("now", "after"), nullable=False),
        Field("zones", "text", "zones whose strip it lies in, separated by spaces"),
        Field("depth_m", "real", "deepest water", "m"),
        Field("area_m2", "real", "water surface", "m2"),
        Field("volume_m3", "real", "water held", "m3"),
        Field("level_m", "real", "level of the water", "m"),
        Field("pour_x", "real", "where it overflows, easting in the plan's system"),
        Field("pour_y", "real", "where it overflows, northing in the plan's system"),
        Field("splash", "text", "low heads within reach of splashing rain, separated by spaces"),
    ),
    style=Style(
        Symbol(BLUE, width=0.3),
        field="state",
        categories=(
            Category("now", "Pond now", Symbol(BLUE, width=0.3, fill="hatch", fill_colour=SKY)),
            Category("after", "Pond after grading", Symbol(BLUE, width=0.5, fill_colour=SKY, opacity=0.7)),
        ),
    ),
)

FLOW_CROSSINGS = LayerSchema(
    name="flow_crossings",
    title="Flow across the beams",
    description=f"Places where running water crosses a beam line, now and after grading. {_DIG}",
    geometry="LineString",
    key="crossing_id",
    made_by="drain",
    fields=(
        Field("crossing_id", "text", "crossing", nullable=False),
        ZONE_ID,
        Field("state", "text", "on which surface", choices=("now", "after"), nullable=False),
        Field("chainage_m", "real", "from the transmitter post", "m"),
        Field("catchment_m2", "real", "ground that drains through it within the area looked at", "m2"),
        Field("fall_permille", "real", "fall of the surface along the flow over the strip", "1/1000"),
    ),
    style=Style(
        Symbol(BLUE, width=0.6),
        field="state",
        categories=(
            Category("now", "Flow now", Symbol(BLUE, width=0.6, dash="dash")),
            Category("after", "Flow after grading", Symbol(BLUE, width=0.9)),
        ),
    ),
)

HEAD_HEIGHTS = LayerSchema(
    name="head_heights",
    title="Head heights",
    description=(
        "For each level of each zone, the heights within its limits that leave the least dead length, and the price."
    ),
    geometry=None,
    key="beam_id",
    made_by="heights",
    fields=(
        Field("beam_id", "text", "beam", nullable=False),
        ZONE_ID,
        Field("level", "text", "place in the stack"),
        Field("tx_now_m", "real", "transmitter height now", "m"),
        Field("rx_now_m", "real", "receiver height now", "m"),
        Field("tx_best_m", "real", "best transmitter height found", "m"),
        Field("rx_best_m", "real", "best receiver height found", "m"),
        Field("dead_now_m", "real", "dead length now", "m"),
        Field("dead_best_m", "real", "dead length at the best heights, by a run of its own", "m"),
        Field("near_head_now_m", "real", "dead length within 10 m of the heads, neighbours' beams left out, now", "m"),
        Field("near_head_best_m", "real", "the same at the best heights", "m"),
        Field("standing_now_db", "real", "standing level now", "dB"),
        Field("standing_best_db", "real", "standing level at the best heights", "dB"),
        Field("tried", "integer", "pairs of heights that were run"),
        Field("note", "text", "what the change gains and what it costs, in one sentence"),
    ),
)

AS_BUILT = LayerSchema(
    name="as_built",
    title="As built",
    description=(
        "Ground of the new survey that is out of tolerance with the design, or was not measured closely enough to be "
        f"called so. {_DIG}"
    ),
    geometry="MultiPolygon",
    key="out_id",
    made_by="asbuilt",
    fields=(
        Field("out_id", "text", "place out of tolerance", nullable=False),
        ZONE_ID,
        Field(
            "kind",
            "text",
            "which way it is out, or that it is to be measured again",
            choices=("high", "low", "not measured"),
            nullable=False,
        ),
        Field("worst_m", "real", "largest difference, survey less design; empty where there is no level", "m"),
        Field("area_m2", "real", "its area", "m2"),
        Field(
            "volume_m3",
            "real",
            "earth still to be moved to the design surface; empty where it is to be measured again",
            "m3",
        ),
    ),
    style=Style(
        Symbol(GREY),
        field="kind",
        categories=(
            Category("high", "Too high", Symbol(VERMILION, width=0.3, fill_colour=ORANGE, opacity=0.7)),
            Category("low", "Too low", Symbol(BLUE, width=0.3, fill="hatch", fill_colour=SKY)),
            Category("not measured", "Measure closer", Symbol(GREY, width=0.5, fill="cross hatch", fill_colour=GREY)),
        ),
    ),
)

ACCEPTANCE = LayerSchema(
    name="acceptance",
    title="Acceptance of the earthworks",
    description=(
        "Pass or fail of each zone by the new survey, or that it was not measured closely enough: levels, and the "
        "detection run on the ground as built."
    ),
    geometry="Polygon",
    key="zone_id",
    made_by="asbuilt",
    fields=(
        ZONE_ID,
        Field("result", "text", "both levels and detection", choices=("pass", "fail", "not measured"), nullable=False),
        Field(
            "levels_ok",
            "boolean",
            "whether levels are within tolerance; empty where nothing was graded or not measured closely enough",
        ),
        Field("detection_ok", "boolean", "whether the run on the ground as built is without an undetected crossing"),
        Field("cells", "integer", "cells compared, or measured points where they were given"),
        Field("cells_out", "integer", "of these, how many are out of tolerance"),
        Field("mean_m", "real", "mean difference, survey less design", "m"),
        Field("rms_m", "real", "root mean square difference", "m"),
        Field("worst_m", "real", "largest difference", "m"),
        Field("open_m2", "real", "area not measured closely enough to pass or fail", "m2"),
        Field("dead_design_m", "real", "dead length on the design surface", "m"),
        Field("dead_built_m", "real", "dead length on the ground as built", "m"),
        Field("reason", "text", "the result in one sentence"),
    ),
    style=Style(
        Symbol(GREY),
        field="result",
        categories=(
            Category("pass", "Pass", Symbol(GREEN, width=0.6, fill="none")),
            Category("fail", "Fail", Symbol(VERMILION, width=0.9, fill="cross hatch", fill_colour=YELLOW)),
            Category("not measured", "Not measured closely enough", Symbol(ORANGE, width=0.9, fill="none")),
        ),
    ),
)
