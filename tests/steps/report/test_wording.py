"""How figures are set on paper. Red where a step's sentence loses its figures, or a name is taken for a unit."""

from __future__ import annotations

import pytest

from geotools.steps.report.wording import number, typeset


@pytest.mark.parametrize(
    ("said", "on_paper"),
    [
        ("cut 0.3 m3 and fill 5.7 m3 over 40 m2", "cut 0.3 m³ and fill 5.7 m³ over 40 m²"),
        ("prices.haul_m3 is 2", "prices.haul_m3 is 2"),
        ("post m2 stands 3 m off", "post m2 stands 3 m off"),
    ],
)
def test_square_and_cubic_metres_are_raised_and_names_stay(said: str, on_paper: str) -> None:
    assert typeset(said) == on_paper


def test_a_figure_that_is_not_there_is_a_dash() -> None:
    assert number(float("nan"), 1, "m") == "–" and number(None) == "–"
    assert number(1234.5, 1, "m") == "1\u202f234.5 m"


def test_what_rounds_to_nothing_has_no_sign():
    assert number(-0.0004) == "0.00" and number(-0.4, 0) == "0" and number(-0.006) == "-0.01"
