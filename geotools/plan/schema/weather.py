"""The layer of what weather does to operating windows."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema
from geotools.plan.schema.plan import ZONE_ID

CONDITIONS = ("dry", "rain", "pond", "snow", "grass")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

WINDOW_WEATHER = LayerSchema(
    name="window_weather",
    title="Weather that closes a window",
    description=(
        "For each zone the rain, standing water, snow and grass at which its operating window closes, by the best "
        "estimate, and the days of a year on which that is expected by the month table of the site file (placeholders "
        "until it gives its own). A model: logged alarms and walk tests in bad weather decide."
    ),
    geometry=None,
    key="weather_id",
    made_by="weather",
    fields=(
        Field("weather_id", "text", "zone and condition", nullable=False),
        ZONE_ID,
        Field("condition", "text", "dry: closed whatever the weather", choices=CONDITIONS, nullable=False),
        Field("closes_at", "real", "least looked at at which the window closes; empty where none does"),
        Field("keeps_to", "real", "most looked at up to which it stays open"),
        Field("unit", "text", "of these two: mm/h of rain, m of water, snow or grass"),
        Field("because", "text", "why it closes"),
        Field("days", "real", "days of a year on which it is expected to be closed", "day"),
        *(Field(name, "real", "of these in the month", "day") for name in _MONTHS),
        Field("advice", "text", "what keeps it open"),
    ),
)
