"""The layers of assessment by camera."""

from __future__ import annotations

from geotools.plan.schema.core import Edit, Field, LayerSchema
from geotools.plan.schema.style import BLACK, BLUE, GREY, SKY, VERMILION, YELLOW, Category, Style, Symbol

DENSITY_CLASSES = ("none", "monitor", "detect", "observe", "recognise", "identify", "inspect")

CAMERAS = LayerSchema(
    name="cameras",
    title="Cameras",
    description="Cameras that assess the zones. Z is the camera's own level.",
    geometry="PointZ",
    key="camera_id",
    made_by="cameras",
    fields=(
        Field("camera_id", "text", "camera", nullable=False, edit=Edit()),
        Field("zone_id", "text", "zone it looks along", edit=Edit(listed=True)),
        Field("source", "text", "given by the user or proposed", choices=("given", "proposed"), nullable=False),
        Field("height_m", "real", "height above the ground", "m", edit=Edit(0.1, 100.0)),
        Field("ground_m", "real", "ground level at its foot", "m"),
        Field(
            "azimuth_deg",
            "real",
            "direction of its axis, clockwise from grid north",
            "degree",
            edit=Edit(-360.0, 360.0),
        ),
        Field(
            "tilt_deg", "real", "its axis above (positive) or below the horizontal", "degree", edit=Edit(-90.0, 90.0)
        ),
        Field("lens_mm", "real", "focal length", "mm", edit=Edit(0.5, 1000.0)),
        Field("lens_needed_mm", "real", "focal length that reaches the required class at the far end", "mm"),
        Field("required_class", "text", "class required at the far end", choices=DENSITY_CLASSES),
        Field("longest_zone_m", "real", "distance up to which this lens reaches the required class", "m"),
        Field("locked", "boolean", "to fill in: whether the camera stays when others are proposed anew", edit=Edit()),
    ),
    style=Style(Symbol(BLACK, fill_colour=YELLOW, marker="diamond", size=3.2), label_field="camera_id", label_size=7.0),
)

VIEWS = LayerSchema(
    name="views",
    title="Camera views",
    description="Every camera that a zone relies on, with the ground in its picture as far as its own zone's far end.",
    geometry="Polygon",
    key="view_id",
    made_by="cameras",
    fields=(
        Field("view_id", "text", "camera and zone", nullable=False),
        Field("camera_id", "text", "camera", nullable=False),
        Field("zone_id", "text", "zone whose assessment relies on it", nullable=False),
        Field(
            "along",
            "text",
            "whether the camera looks along this zone; else it adds to its assessment",
            choices=("yes", "no"),
        ),
        Field("zone_length_m", "real", "length of the zone", "m"),
        Field("far_m", "real", "straight distance to the far end", "m"),
        Field("far_px_per_m", "real", "pixels per metre at the far end", "px/m"),
        Field("far_class", "text", "class reached at the far end", choices=DENSITY_CLASSES),
        Field("assessed_m", "real", "length of the zone in the picture, in sight and at the required class", "m"),
        Field("near_m", "real", "horizontal distance of the nearest ground in the picture", "m"),
        Field("hidden_m", "real", "length of the zone that the ground hides from this camera", "m"),
        Field("uncovered_m", "real", "length of the zone that no camera assesses at the required class", "m"),
        Field(
            "assessed",
            "text",
            "whether all cameras together assess the zone but for less than 1.5 m",
            choices=("yes", "no"),
        ),
    ),
    style=Style(
        Symbol(GREY, width=0.2, fill="hatch", opacity=0.4),
        field="assessed",
        categories=(
            Category("yes", "Assessed", Symbol(BLUE, width=0.2, fill="solid", fill_colour=SKY, opacity=0.25)),
            Category(
                "no",
                "Not assessed in full",
                Symbol(VERMILION, width=0.3, fill="hatch", fill_colour=VERMILION, opacity=0.5),
            ),
        ),
    ),
)
