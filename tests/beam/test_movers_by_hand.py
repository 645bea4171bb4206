"""What moves beside a beam and is no threat: limits, the larger of it, its silhouette. By hand; no beam is solved."""

import math

import numpy as np
import pytest

from geotools.beam.movers import MOVERS, Mover
from geotools.beam.nuisance import _between, _summed
from geotools.errors import NumericInputError

#: As the manual states them: heights and widths of what a fence line meets, shares from nothing to all.
LIMITS = [
    ("height_m", 0.001, 5.0),
    ("width_m", 0.01, 10.0),
    ("base_m", 0.0, 20.0),
    ("length_m", 0.0, 30.0),
    ("reflects", 0.0, 1.0),
    ("sway_m", 0.0, 0.5),
]


@pytest.mark.parametrize(("field", "low", "high"), LIMITS)
def test_a_mover_outside_its_limits_is_refused_and_at_them_is_not(field, low, high):
    usual = {"name": "mover", "kind": "body", "height_m": 1.0, "width_m": 1.0}
    for value in (low, high):
        assert getattr(Mover(**{**usual, field: value}), field) == value
    for value in (low - 0.0005, high + 0.0005, math.nan, math.inf, "1", None):
        with pytest.raises(NumericInputError, match=field):
            Mover(**{**usual, field: value})


def test_a_larger_mover_is_higher_wider_and_moves_more_within_the_limits():
    one = Mover("panel", "fabric", 2.0, 0.5, 3.0, base_m=0.2, reflects=0.3, sway_m=0.1, place="fence")
    more = one.larger(0.2)
    assert (more.height_m, more.width_m, more.sway_m) == pytest.approx((2.4, 0.6, 0.12))
    assert (more.length_m, more.base_m, more.reflects, more.kind, more.place) == (3.0, 0.2, 0.3, "fabric", "fence")
    most = Mover("barn", "body", 4.9, 9.9, sway_m=0.49).larger(0.5)
    assert (most.height_m, most.width_m, most.sway_m) == (5.0, 10.0, 0.5)
    assert one.larger(0.0) == one


def test_the_silhouette_is_that_of_the_body_and_never_thinner_than_a_centimetre():
    screen = MOVERS["bird"].screen
    assert (screen.height_m, screen.width_m, screen.base_m) == (0.2, 0.3, 0.6)
    assert Mover("film", "surface", 0.005, 4.0).screen.height_m == 0.01


def test_a_lorry_is_as_large_as_the_road_rules_allow_and_a_car_and_a_person_are_of_usual_size():
    """Directive 96/53/EC, annex I: 4.00 m high, 2.55 m wide, 12.00 m long (from memory); the others by common sense."""
    lorry, car, person = (MOVERS[name] for name in ("lorry", "car", "person outside"))
    assert (lorry.height_m, lorry.width_m, lorry.length_m) == (4.00, 2.55, 12.00)
    assert 1.4 <= car.height_m <= 1.6 and 1.7 <= car.width_m <= 2.0 and 4.0 <= car.length_m <= 5.0
    assert 1.7 <= person.height_m <= 1.9 and 0.4 <= person.width_m <= 0.7
    # what may be there by chance closes no window; what lives beside the fence is there at any time
    assert [mover.name for mover in MOVERS.values() if not mover.must_not_alarm] == ["bird"]
    assert all(0.0 < mover.reflects <= 1.0 for mover in MOVERS.values())


def test_what_is_summed_along_the_beam_is_its_integral_and_ends_at_the_heads():
    """Of 2 x over 0.8 m around a place: 1.6 times the place; nearer than 0.4 m to a head what is left of it."""
    at = np.linspace(0.0, 10.0, 401)
    nodes = np.array([0.0, 0.2, 1.0, 5.013, 9.9, 10.0])
    found = _summed(at, nodes, np.column_stack([2.0 * at, 0.0 * at + 3.0]), 0.8)
    low, high = np.maximum(nodes - 0.4, 0.0), np.minimum(nodes + 0.4, 10.0)
    assert found[:, 0] == pytest.approx(high**2 - low**2, abs=2e-3)
    assert found[:, 1] == pytest.approx(3.0 * (high - low), abs=1e-9)


def test_values_between_nodes_lie_on_the_straight_line_between_them():
    values = np.array([[0.0, 1.0], [4.0, 1.0], [2.0, 3.0]])
    found = _between(values)
    parts = (len(found) - 1) // 2
    assert len(found) == 2 * parts + 1 and parts >= 2
    place = np.arange(len(found)) / parts
    for column in range(2):
        assert found[:, column] == pytest.approx(np.interp(place, [0.0, 1.0, 2.0], values[:, column]))
