"""What everybody who acts on the results must know, in one wording for steps, layers, sheets and report."""

from __future__ import annotations

__all__ = ["CAUTIONS", "DETECTION", "EARTHWORKS", "RADIO", "SENSITIVE", "SERVICES", "WATER"]

SERVICES = "Locate buried services first."
WATER = "Drainage, slopes and erosion are for a licensed civil engineer; local codes govern."
EARTHWORKS = f"Earthworks: {SERVICES[0].lower()}{SERVICES[1:-1]}; {WATER[0].lower()}{WATER[1:]}"
RADIO = (
    "Radio: use licensed or licence-exempt bands as the local authority allows; check exposure limits for the "
    "equipment used."
)
DETECTION = "Detection: a model is no acceptance; walk-test every zone."
SENSITIVE = "Handle as sensitive: need-to-know."

#: All of them, for a whole run or a report.
CAUTIONS = (DETECTION, EARTHWORKS, RADIO, SENSITIVE)
