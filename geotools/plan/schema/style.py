"""How a layer is drawn, said once in plain values; `qml` and `sld` turn it into what programs read.

Symbols differ in lightness and in dash or shape as well as in hue, so that a plan reads in grey print and for
colour-blind readers (hues after Okabe and Ito's set, "Color Universal Design", 2008, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Dash = Literal["solid", "dash", "dot", "dash dot"]
Marker = Literal["circle", "square", "triangle", "diamond", "cross"]
Fill = Literal["solid", "hatch", "cross hatch", "none"]

BLACK = "#000000"
ORANGE = "#e69f00"
SKY = "#56b4e9"
GREEN = "#009e73"
YELLOW = "#f0e442"
BLUE = "#0072b2"
VERMILION = "#d55e00"
PURPLE = "#cc79a7"
GREY = "#6e6e6e"
PALE = "#d9d9d9"
#: Of the verdicts, by verdict: darker the less is detected, in steps that grey print and every kind of colour
#: blindness leave apart; hues between those of the set above.
VERDICT_COLOURS = {"detected": "#8fcdf4", "unproven": "#d08c00", "undetected": "#a83800", "no_beam": BLACK}
#: Matplotlib's settings for every picture that shows names: one may hold a dollar sign, and is no formula.
NAMES_AS_WRITTEN: dict[Any, Any] = {"text.parse_math": False}


@dataclass(frozen=True)
class Symbol:
    """One drawing of a point, line or area: colours as ``#rrggbb``, sizes and widths in millimetres, opacity 0 to 1."""

    colour: str = BLACK
    width: float = 0.4
    dash: Dash = "solid"
    marker: Marker = "circle"
    size: float = 3.0
    fill: Fill = "solid"
    fill_colour: str | None = None
    opacity: float = 1.0


@dataclass(frozen=True)
class Category:
    """A value of the style's field, its words in the legend, and its symbol."""

    value: str
    label: str
    symbol: Symbol


@dataclass(frozen=True)
class Style:
    """One symbol for all, or one a category of ``field``; ``label_field`` is written beside each feature.

    ``other`` : legend of what falls in no category, drawn in ``symbol``.
    """

    symbol: Symbol
    field: str | None = None
    categories: tuple[Category, ...] = ()
    label_field: str | None = None
    label_size: float = 8.0
    other: str = "other"
