"""What moves beside a beam: what width, length and heads that point off add, on one short beam.

Red when a thin body counts by anything but its width, a flank of any length is forgotten, or a doubt about larger
movers or about the aim is left out where there is only the one.
"""

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, solve_beam
from geotools.beam.movers import Mover
from geotools.beam.nuisance import MoverGround, NuisanceRequest, mover_response

X = np.arange(0.0, 20.5, 0.5)
FIELD = solve_beam(HEAD_TYPES["10 GHz"], X, np.zeros(X.size), 0.9, 0.9)
AROUND = MoverGround(np.array([-0.9, 0.0, 0.9]), np.zeros((X.size, 3)))
#: Where the beam is widest.
MIDDLE = slice(16, 25)
POST = Mover("post", "body", 1.5, 0.02)


def response(mover, around=AROUND, **given):
    return mover_response(FIELD, mover, around, **given)[MIDDLE]


def test_a_thin_body_counts_by_its_width_wherever_it_stands():
    thin, twice = (response(Mover("post", "body", 1.5, width)) for width in (0.01, 0.02))
    assert twice == pytest.approx(2.0 * thin, rel=0.03) and thin.min() > 0.0


@pytest.mark.parametrize("length", [0.5, 1.0, 3.0])
def test_a_flank_adds_to_the_screen_beside_the_beam_whatever_its_length(length):
    body = {"height_m": 1.5, "width_m": 0.5, "reflects": 1.0}
    screen, both = (response(Mover("box", "body", length_m=long, **body)) for long in (0.0, length))
    assert (both[:, [0, 2]] > screen[:, [0, 2]] + 1e-6).all()
    # on the beam line itself there is no flank to throw anything back
    assert both[:, 1] == pytest.approx(screen[:, 1])


@pytest.mark.parametrize(("larger", "aim"), [(0.0, 0.0), (0.3, 0.0), (0.0, 1.0), (0.3, 1.0), (0.0, 2.0)])
def test_what_is_not_known_is_the_strongest_of_larger_movers_and_heads_that_point_to_either_side(larger, aim):
    found = NuisanceRequest(AROUND, (POST,), larger, aim)(FIELD)
    as_built = mover_response(FIELD, POST, AROUND)
    pans = [mover_response(FIELD, POST.larger(larger), AROUND, pan_deg=(pan, pan)) for pan in (-aim, aim)]
    assert found.modulation[0] == pytest.approx(as_built)
    assert found.high[0] == pytest.approx(np.max([as_built, *pans], axis=0))
    assert bool((found.high > found.modulation + 1e-9).any()) == bool(larger or aim)
    assert np.array_equal(NuisanceRequest(AROUND, (POST,))(FIELD).high[0], as_built)
