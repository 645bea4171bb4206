"""The settings of the site file that a dialog offers by name: those a first site is described by, and the prices."""

from __future__ import annotations

from typing import Any, get_args

from geotools.site.detection import Detection
from geotools.site.inputs import Inputs
from geotools.site.layout import Layout
from geotools.site.works import SitePrices

__all__ = ["dialog_settings"]

_PRICES = tuple(name for name, field in SitePrices.model_fields.items() if field.annotation is float)
_OFFERED = (
    ("input", Inputs, ("vertical_accuracy_m",)),
    ("detection", Detection, ("threshold",)),
    ("layout", Layout, ("side",)),
    ("prices", SitePrices, ("currency", *_PRICES)),
)


def dialog_settings() -> list[dict[str, Any]]:
    """Section, name, kind, unit, words, default, choices, least and most of each setting, as plain data.

    ``least`` and ``most`` are inclusive where the setting's are; what must be more or less than a limit is refused by
    the site file, which checks every value again.
    """
    return [
        {"section": section, "name": name, **_described(owner.model_fields[name])}
        for section, owner, names in _OFFERED
        for name in names
    ]


def _described(field: Any) -> dict[str, Any]:
    extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    limits = {
        end: next((getattr(m, sign) for m in field.metadata for sign in signs if hasattr(m, sign)), None)
        for end, signs in (("least", ("ge", "gt")), ("most", ("le", "lt")))
    }
    words = [word for word in get_args(field.annotation) if isinstance(word, str)]
    text = field.annotation is str
    return {
        "kind": "choice" if words else "text" if text else "real",
        "unit": str(extra.get("unit", "")),
        "help": field.description or "",
        "source": str(extra.get("source", "")),
        "default": field.default,
        "choices": words,
        **limits,
    }
