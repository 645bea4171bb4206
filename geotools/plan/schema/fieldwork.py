"""The layers that go to the field and come back: stakeout, walk test, upkeep."""

from __future__ import annotations

from geotools.plan import cautions
from geotools.plan.schema.core import Edit, Field, LayerSchema
from geotools.plan.schema.plan import ZONE_ID
from geotools.plan.schema.style import BLACK, BLUE, GREEN, GREY, SKY, VERMILION, YELLOW, Category, Style, Symbol

_ROLES = ("transmitter", "receiver")
_LEVELS = ("low", "main", "top")

STAKEOUT = LayerSchema(
    name="stakeout",
    title="Stakeout",
    description=(
        "Set-up sheet, one row a head: its post's position and levels, height above finished ground, aim. "
        "Locate buried services before digging for posts."
    ),
    geometry="PointZ",
    key="head_id",
    made_by="stakeout",
    fields=(
        Field("head_id", "text", "head: zone, role, level", nullable=False),
        Field("post_id", "text", "post the head hangs on", nullable=False),
        ZONE_ID,
        Field("role", "text", "transmitter or receiver", choices=_ROLES, nullable=False),
        Field("level", "text", "place in the stack", choices=_LEVELS, nullable=False),
        Field("head_type", "text", "head type as named in the site file", nullable=False),
        Field("easting", "real", "easting of the post, in the plan's own map units", "map unit", nullable=False),
        Field("northing", "real", "northing of the post, in the plan's own map units", "map unit", nullable=False),
        Field("ground_m", "real", "level of the ground as surveyed", "m"),
        Field("finished_m", "real", "level of the finished ground: the design surface where there is one", "m"),
        Field(
            "earthwork_m", "real", "finished less surveyed ground: fill (positive) or cut (negative) at the post", "m"
        ),
        Field("height_m", "real", "height of the head's axis above the finished ground", "m"),
        Field(
            "laid_out_height_m",
            "real",
            "height as laid out, above the ground as surveyed, as in the layer heads; empty for a head that is added",
            "m",
        ),
        Field("axis_m", "real", "level of the head's axis", "m"),
        Field("faces_head_id", "text", "head it faces", nullable=False),
        Field("grid_azimuth_deg", "real", "aim, clockwise from grid north", "degree"),
        Field("true_azimuth_deg", "real", "aim, clockwise from true north", "degree"),
        Field("tilt_deg", "real", "aim above (positive) or below (negative) the horizontal", "degree"),
        Field(
            "distance_m", "real", "horizontal distance to the head it faces, as a tape on the ground measures it", "m"
        ),
        Field("polarisation", "text", "plane of the electric field", choices=("vertical", "horizontal")),
        Field("channel", "integer", "channel number, empty until channels are planned"),
        Field("turned", "boolean", "whether the head is turned 90 degrees on its post"),
        Field("fitting", "text", "how the head is fitted, in the words of its head type", nullable=False),
    ),
    style=Style(
        Symbol(GREY, marker="diamond", size=2.6),
        field="role",
        categories=(
            Category(
                "transmitter",
                "Transmitter head to set out",
                Symbol(BLACK, fill_colour=VERMILION, marker="triangle", size=3.4),
            ),
            Category("receiver", "Receiver head to set out", Symbol(BLACK, fill_colour=SKY, marker="square", size=2.8)),
        ),
        label_field="post_id",
    ),
)

WALK_PLAN = LayerSchema(
    name="walk_test",
    title="Walk test",
    description=(
        "Crossings to walk: the worst places first, then even cover. Fill result (detected or missed), "
        "walked_on, walker and note in the field; read them back with `geotools walktest --results`. "
        f"{cautions.ALARM_STATION} {cautions.EXPOSURE} {cautions.SENSITIVE}"
    ),
    geometry="LineString",
    key="crossing_id",
    made_by="walktest",
    fields=(
        Field("crossing_id", "text", "crossing: zone, threat, number", nullable=False),
        ZONE_ID,
        Field("threat", "text", "what to walk as: a target of the site file", nullable=False),
        Field("number", "integer", "number within zone and threat, worst place first, from 1", nullable=False),
        Field("walk_order", "integer", "order of walking over the whole site, from 1", nullable=False),
        Field("round", "integer", "1 for the worst places of all zones, 2 for even cover", nullable=False),
        Field("from_post", "text", "the nearer post of the zone", nullable=False),
        Field("from_post_m", "real", "where to cross the beam line: distance from that post towards the other", "m"),
        Field("chainage_m", "real", "the same place, counted from the transmitter post", "m", nullable=False),
        Field("start_easting", "real", "where to start, in the plan's own map units", "map unit"),
        Field("start_northing", "real", "where to start, in the plan's own map units", "map unit"),
        Field("end_easting", "real", "where to end, in the plan's own map units", "map unit"),
        Field("end_northing", "real", "where to end, in the plan's own map units", "map unit"),
        Field(
            "reason",
            "text",
            "why here: the stretch's verdict, a weak spot of the prediction, or to cover the zone",
            choices=("undetected", "unproven", "worst spot", "even cover"),
            nullable=False,
        ),
        Field("direction", "text", "way to cross, against the fence", choices=("inward", "outward"), nullable=False),
        Field("speed_m_s", "real", "speed of crossing", "m/s"),
        Field("face_head_id", "text", "head to face: the nearer one"),
        Field(
            "modulation", "real", "best modulation the model predicts for this crossing; empty where it is not known"
        ),
        Field("expected", "text", "what the model expects", choices=("detected", "missed")),
        Field("state", "text", "state that was planned for", choices=("existing", "proposed"), nullable=False),
        Field("heads_code", "text", "code of the heads that decide this crossing", nullable=False),
        Field("ground_code", "text", "code of the ground that decides this crossing", nullable=False),
        Field("void", "text", "why the result does not count any more; empty where it does"),
        Field("result", "text", "to fill in: what the receiver did", choices=("detected", "missed"), edit=Edit()),
        Field("walked_on", "date", "to fill in: day of the crossing", edit=Edit()),
        Field("walker", "text", "to fill in: who crossed", edit=Edit(listed=True)),
        Field("note", "text", "to fill in: remarks", edit=Edit()),
    ),
    style=Style(
        Symbol(BLACK, width=0.5, dash="dot"),
        field="result",
        categories=(
            Category("detected", "Crossing, detected", Symbol(BLUE, width=0.6)),
            Category("missed", "Crossing, missed", Symbol(VERMILION, width=1.2, dash="dash")),
        ),
        other="Crossing, to be walked",
    ),
)

WALK_RESULT = LayerSchema(
    name="walk_result",
    title="Walk-test result",
    description="What the walk test demonstrates for each zone and threat: exact binomial bounds and what to do next.",
    geometry=None,
    key="result_id",
    made_by="walktest",
    fields=(
        Field("result_id", "text", "zone and threat", nullable=False),
        Field("zone_id", "text", "zone, or the whole site", nullable=False),
        Field("threat", "text", "target that was walked", nullable=False),
        Field("planned", "integer", "crossings planned", nullable=False),
        Field("walked", "integer", "crossings with a result that counts", nullable=False),
        Field("void", "integer", "results that do not count: heads or ground changed since", nullable=False),
        Field("detected", "integer", "crossings detected", nullable=False),
        Field("probability", "real", "share detected; empty where nothing was walked"),
        Field("lower", "real", "exact lower bound of the detection probability at the site's confidence, one-sided"),
        Field("upper", "real", "exact upper bound, likewise"),
        Field(
            "unexpected_misses", "integer", "crossings missed that the model expected to be detected", nullable=False
        ),
        Field(
            "further",
            "integer",
            "crossings still to walk, all detected, to demonstrate it; empty after a miss too many",
        ),
        Field(
            "verdict",
            "text",
            "where it stands",
            choices=("not walked", "demonstrated", "not demonstrated yet", "failed", "void"),
            nullable=False,
        ),
        Field("next", "text", "what to do next"),
    ),
)

WALK_HEADS = LayerSchema(
    name="walk_heads",
    title="Head heights by the walk test",
    description=(
        "Where results contradict the model with its heads as stated: law, threshold and head heights fitted together, "
        "a row a head. Measure a head before it is moved."
    ),
    geometry=None,
    key="head_id",
    made_by="walktest",
    fields=(
        Field("head_id", "text", "head", nullable=False),
        ZONE_ID,
        Field("stated_m", "real", "height above ground as the plan has it", "m"),
        Field("offset_m", "real", "most likely offset from it, upward positive", "m"),
        Field("half_m", "real", "half the width of the offset's 95 % range", "m"),
        Field(
            "state",
            "text",
            "off: the walk shows it; not separated: this head or its partner is; not shown: the walk says nothing",
            choices=("agrees", "off", "not separated", "not shown"),
            nullable=False,
        ),
        Field("would_show_m", "real", "smallest offset of this head alone, up and down, that would have shown", "m"),
        Field("law", "text", "law of the receiver that it was fitted under", choices=("field", "envelope")),
    ),
)

UPKEEP = LayerSchema(
    name="upkeep",
    title="Maintenance plan",
    description=(
        "Dated maintenance tasks at every head and zone. The equipment's manual governs. "
        f"{cautions.ALARM_STATION} {cautions.EXPOSURE}"
    ),
    geometry="Point",
    key="visit_id",
    made_by="upkeep",
    fields=(
        Field("visit_id", "text", "visit: day, task, place", nullable=False),
        Field("due", "date", "day it is due", nullable=False),
        Field(
            "planned_on", "date", "day it is planned on: the day it is due, or the next on which the crew has time left"
        ),
        Field("planned_until", "date", "day it is finished; another one where it takes the crew longer than a day"),
        Field("task", "text", "maintenance task", nullable=False),
        Field(
            "scope", "text", "whether it is done at a head or along a zone", choices=("head", "zone"), nullable=False
        ),
        Field("place", "text", "head or zone", nullable=False),
        Field("zone_id", "text", "zone", nullable=False),
        Field("minutes", "real", "time for one person", "min"),
        Field("instruction", "text", "what to do"),
        Field(
            "status",
            "text",
            "done, where a day is filled in; overdue, where it was due before the day that was given; else due",
            choices=("done", "due", "overdue"),
            nullable=False,
        ),
        Field("done_on", "date", "to fill in: day it was done", by_hand=True),
        Field("done_by", "text", "to fill in: who did it", by_hand=True),
    ),
    style=Style(
        Symbol(GREY, marker="circle", size=2.2),
        field="scope",
        categories=(
            Category("head", "Task at a head", Symbol(BLACK, fill_colour=YELLOW, marker="diamond", size=2.6)),
            Category("zone", "Task along a zone", Symbol(BLACK, fill_colour=GREEN, marker="circle", size=2.6)),
        ),
    ),
)

UPKEEP_COST = LayerSchema(
    name="upkeep_cost",
    title="Cost of maintenance schemes",
    description="What the tasks of each maintenance scheme cost over the plan's years, with the site file's prices.",
    geometry=None,
    key="scheme",
    made_by="upkeep",
    fields=(
        Field("scheme", "text", "maintenance scheme, as the site file names it", nullable=False),
        Field("chosen", "boolean", "whether the site file chooses it", nullable=False),
        Field("years", "integer", "length of the plan", "year", nullable=False),
        Field("visits", "integer", "visits to heads and zones"),
        Field("labour", "real", "cost of work, not discounted", "currency of the site file"),
        Field("material", "real", "cost of material, not discounted", "currency of the site file"),
        Field("total", "real", "both, discounted to the start", "currency of the site file"),
    ),
)
