"""What everybody who acts on the results must know, in one wording for steps, layers, sheets and report."""

from __future__ import annotations

__all__ = [
    "ALARM_STATION",
    "CAUTIONS",
    "DETECTION",
    "EARTHWORKS",
    "EXPOSURE",
    "RADIO",
    "SENSITIVE",
    "SERVICES",
    "WATER",
]

SERVICES = "Locate buried services first."
WATER = "Drainage, slopes and erosion are for a licensed civil engineer; local codes govern."
EARTHWORKS = f"Earthworks: {SERVICES[0].lower()}{SERVICES[1:-1]}; {WATER[0].lower()}{WATER[1:]}"
RADIO = (
    "Radio: use licensed or licence-exempt bands as the local authority allows; check exposure limits for the "
    "equipment used."
)
EXPOSURE = (
    "Radio exposure: while people work in front of a head, switch its transmitter off or keep the distance that the "
    "equipment's manual gives; limits of ICNIRP 2020 or IEEE C95.1, as the local authority has them."
)
ALARM_STATION = "Notify the alarm station first, and agree on who watches the zone meanwhile."
DETECTION = "Detection: a model is no acceptance; walk-test every zone."
SENSITIVE = "Handle as sensitive: need-to-know."

#: All of them, for a whole run or a report.
CAUTIONS = (DETECTION, EARTHWORKS, RADIO, SENSITIVE)
