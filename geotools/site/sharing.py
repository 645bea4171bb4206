"""Who may read the results, and which layers and fields of a plan `geotools share` hands to whom."""

from __future__ import annotations

from typing import Literal

from pydantic import field_validator

from geotools.plan.audiences import CLIENT, CONTRACTOR, PUBLIC, is_entry
from geotools.site.base import CHOICE, SiteSection, setting

__all__ = ["AUDIENCES", "Audience", "Sharing"]

Audience = Literal["public", "contractor", "client", "full"]
AUDIENCES: tuple[Audience, ...] = ("public", "contractor", "client", "full")
_FORM = "layer.field, layer.* for all its fields, or the name of a raster"


class Sharing(SiteSection):
    """Who may read the results; for whom `geotools share` leaves what in a plan."""

    private: bool = setting(
        "whether results can be read by the account alone that ran the job (files 0600, folders 0700); false leaves it "
        "to the system's own rule",
        mark=CHOICE,
        default=True,
    )
    public: tuple[str, ...] = setting(
        f"what the public sees: {_FORM}. What stands here replaces the list", mark=CHOICE, default=PUBLIC
    )
    contractor: tuple[str, ...] = setting(
        f"what sees whoever builds: {_FORM}. What stands here replaces the list", mark=CHOICE, default=CONTRACTOR
    )
    client: tuple[str, ...] = setting(
        f"what sees whoever owns the site: {_FORM}. What stands here replaces the list", mark=CHOICE, default=CLIENT
    )

    @field_validator("public", "contractor", "client")
    @classmethod
    def _written_as_entries(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for text in value:
            if not is_entry(text):
                raise ValueError(f"expected {_FORM}, not {text!r}")
        if not any(not text.endswith(".tif") for text in value):
            raise ValueError("names no layer; a plan holds one at least")
        return value
