"""What every section of the site file shares: unknown names are refused, every setting has words, unit and range."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

_NO_DEFAULT: Any = ...


class SiteSection(BaseModel):
    """A part of the site file; immutable, and strict about names so that a misspelt setting is never ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def setting(help: str, *, unit: str = "", mark: str = "", default: Any = _NO_DEFAULT, **limits: Any) -> Any:
    """One setting: what it means, its unit, where the default comes from (``mark``), default and limits.

    ``limits`` are pydantic's (``ge``, ``gt``, ``le``, ``lt``, ``min_length``, ``default_factory`` ...).
    """
    if "default_factory" not in limits:
        limits["default"] = default
    return Field(description=help, json_schema_extra={"unit": unit, "source": mark}, **limits)
