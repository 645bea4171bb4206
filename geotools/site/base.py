"""What every section of the site file shares: unknown names are refused, every setting has words, unit and range."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, get_args, get_origin

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

_NO_DEFAULT: Any = ...
#: Marks a default that stands for a figure which only the user can know; results name those they rest on.
PLACEHOLDER = "placeholder"
#: Marks a default that is no fact of the trade: how finely is computed, what is left out, where nothing is given.
CHOICE = "a choice of this toolkit"


class SiteSection(BaseModel):
    """A part of the site file; immutable, and strict about names so that a misspelt setting is never ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _as_meant(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse a switch or a text where a number stands, and a number or a text where a switch stands.

        pydantic alone would take true for 1 and "3" for 3.
        """
        kinds = _kinds(cls.model_fields[str(info.field_name)].annotation)
        numbers = bool(kinds & {float, int})
        for part in _values(value):
            if numbers and bool not in kinds and isinstance(part, bool | np.bool_):
                raise ValueError("expected a number, not true or false")
            if numbers and str not in kinds and isinstance(part, str):
                raise ValueError("expected a number, without quotes")
            if kinds - {type(None)} == {bool} and not isinstance(part, bool | np.bool_):
                raise ValueError("expected true or false, without quotes")
        return value


def _kinds(annotation: Any) -> set[Any]:
    """Plain types that an annotation is made of, those inside tuples and unions too."""
    inner = get_args(annotation)
    if get_origin(annotation) is Literal:
        return {type(choice) for choice in inner}
    if inner:
        return set().union(*(_kinds(part) for part in inner if part is not Ellipsis))
    return {annotation}


def _values(value: Any) -> Iterator[Any]:
    if isinstance(value, list | tuple):
        for part in value:
            yield from _values(part)
    elif value is not None:
        yield value


def setting(help: str, *, unit: str = "", mark: str = "", default: Any = _NO_DEFAULT, **limits: Any) -> Any:
    """One setting: what it means, its unit, where the default comes from (``mark``), default and limits.

    ``limits`` are pydantic's (``ge``, ``gt``, ``le``, ``lt``, ``min_length``, ``default_factory`` ...).
    """
    if "default_factory" not in limits:
        limits["default"] = default
    return Field(description=help, json_schema_extra={"unit": unit, "source": mark}, **limits)
