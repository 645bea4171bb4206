"""State, revision and date that every paper names, the title block, and what turns volumes into lorry loads."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from geotools.site.base import CHOICE, SiteSection, setting
from geotools.site.catalogue import COMMON


class Sheets(SiteSection):
    """Drawing sheets; fields of the title block that are left empty are there to be filled in by hand."""

    revision: str = setting("revision of drawings and field papers", default="", max_length=12)
    date: dt.date | None = setting("date of that revision; never taken from the clock", default=None)
    state: Literal["proposed", "existing"] = setting(
        "state that papers for the field show, all of them the same: the proposed one where the plan holds a proposal, "
        "or the existing one",
        mark=CHOICE,
        default="proposed",
    )
    drawn: str = setting("who drew them", default="", max_length=60)
    checked: str = setting("who checked them", default="", max_length=60)
    approved: str = setting("who approved them", default="", max_length=60)
    recipient: str = setting(
        "who the paper is for: the name stands pale across every page of report, drawing sheets, stack sheets, "
        "commissioning book and walk-test sketches, across the pages for a browser, and above printed spreadsheets",
        default="",
        max_length=60,
    )
    topsoil_m: float = setting(
        "thickness of the topsoil that is stripped from worked ground and put back",
        unit="m",
        mark=COMMON,
        default=0.10,
        ge=0,
        le=1,
    )
    bulking: float = setting(
        "loose cubic metres from one cubic metre in the ground, for carting", mark=COMMON, default=1.25, ge=1, le=2
    )
