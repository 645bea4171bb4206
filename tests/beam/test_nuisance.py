"""What moves beside a beam against closed forms: forward scatter of a plate, knife edge, image, mirror that rises."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad_vec

from geotools.beam import HEAD_TYPES, HeadType, knife_edge_loss_db, knife_edge_nu, solve_beam
from geotools.beam.antenna import lateral_density, lateral_share, waist
from geotools.beam.movers import MOVERS, Mover
from geotools.beam.nuisance import MoverGround, NuisanceRequest, mover_response, surface_density

TEN, LOW = HEAD_TYPES["10 GHz"], HEAD_TYPES["24 GHz"]


def flat_field(head=TEN, length=60.0, tx=0.9, rx=0.9, ground=None, step=0.5):
    x = np.arange(0.0, length + step / 2, step)
    return solve_beam(head, x, np.zeros(x.size) if ground is None else ground(x), tx, rx)


def around(field, offsets):
    offsets = np.asarray(offsets, dtype=float)
    return MoverGround(offsets, np.repeat(field.ground_m[:, None], offsets.size, axis=1))


def test_a_small_plate_scatters_forward_as_its_area_says():
    """Radar cross section of an opaque plate in the forward direction, 4 pi A^2 / wavelength^2 (Siegel 1958, from
    memory), in the bistatic radar equation: dS/S = A L / (wavelength d1 d2), where the ground takes no part."""
    wide = HeadType("wide", 10.525e9, 12.0, 12.0, 150.0)
    field = flat_field(wide, 20.0, 4.0, 4.0)
    for side in (0.06, 0.10):
        plate = Mover("plate", "body", side, side, base_m=4.0 - side / 2)
        found = mover_response(field, plate, around(field, [0.0]))[20, 0]
        cross_section = 4.0 * math.pi * side**4 / wide.wavelength_m**2
        field_ratio = math.sqrt(cross_section / (4.0 * math.pi)) * 20.0 / (10.0 * 10.0)
        assert found == pytest.approx(field_ratio, rel=0.02)


def test_no_body_scatters_more_than_its_area_allows():
    """The forward-scatter limit bounds the answer, over ground that doubles the field of either head at most."""
    field = flat_field(TEN, 60.0)
    middle = field.chainage_m.size // 2
    for mover in (m for m in MOVERS.values() if m.kind == "body" and m.length_m == 0.0):
        most = 4.0 * mover.height_m * mover.width_m * 60.0 / (TEN.wavelength_m * 30.0**2)
        level = 10.0 ** (field.standing_level_db / 20.0)
        assert mover_response(field, mover, around(field, np.linspace(-6, 6, 49)))[middle].max() * level < most


def test_a_large_body_leaves_what_passes_its_edge():
    """Shadow of a wide wall: the exact Fresnel integrals of ITU-R P.526-15, clause 4.1, within 0.5 dB."""
    wide = HeadType("wide", 10.525e9, 40.0, 40.0, 150.0)
    x = np.linspace(0.0, 40.0, 81)
    for edge in np.linspace(-0.4, 0.8, 7):
        share = lateral_share(wide, x, 40.0, np.array([-edge + 20.0]), 40.0)[40, 0]
        # the wall reaches over the line of the heads by `edge`
        expected = -knife_edge_loss_db(knife_edge_nu(wide.wavelength_m, edge, 20.0, 20.0))
        assert 20.0 * math.log10(abs(1.0 - share)) == pytest.approx(float(expected), abs=0.5)


def test_lateral_density_is_what_the_closed_form_integrates():
    x = np.array([7.0, 30.0, 55.0])
    for pan in ((0.0, 0.0), (1.0, 1.0), (-2.0, 1.0)):

        def there(y, pan=pan):
            return lateral_density(LOW, x, 60.0, np.full((3, 1), y), pan)[0][:, 0]

        summed = quad_vec(there, 0.35, 1.55, epsabs=1e-10)[0]
        closed = lateral_share(LOW, x, 60.0, np.array([0.95]), 1.2, pan_deg=pan)[:, 0]
        assert summed == pytest.approx(closed, abs=1e-8)


@pytest.mark.parametrize("head", [TEN, LOW], ids=["10 GHz", "24 GHz"])
@pytest.mark.parametrize("away", [0.5, 0.8, 1.2])
def test_a_wall_from_head_to_head_gives_the_signal_of_the_image(head, away):
    """Method of images: the overlap of two parallel Gaussian beams whose axes lie twice the distance apart."""
    length, k, half = 28.0, head.wavenumber, 0.025
    field = flat_field(head, length)
    place = around(field, [away + half, -away - half])
    wall = Mover("wall", "body", 5.0, 2 * half, 30.0)
    end = Mover("end", "body", 5.0, 2 * half)
    flank = mover_response(field, wall, place)[28] - mover_response(field, end, place)[28]
    w0 = waist(k, head.beamwidth_az_deg)
    near, far = 1.0 / w0**2, 1.0 / (w0**2 + 2j * length / k)
    image = abs(np.exp(-near * far / (near + far) * (2.0 * away) ** 2))
    assert flank == pytest.approx(image, rel=0.01)


def test_swapping_the_heads_mirrors_every_response():
    ground = lambda x: 0.1 * np.sin(x / 5.0)  # noqa: E731
    back = lambda x: ground(60.0 - x)  # noqa: E731
    here, there = flat_field(tx=0.9, rx=0.7, ground=ground), flat_field(tx=0.7, rx=0.9, ground=back)
    offsets = np.linspace(-5.0, 5.0, 21)
    for mover in MOVERS.values():
        one = mover_response(here, mover, around(here, offsets))
        other = mover_response(there, mover, around(there, offsets[::-1]))[::-1, ::-1]
        scale = max(float(one.max()), 1e-3)
        assert one[4:-4] == pytest.approx(other[4:-4], abs=0.02 * scale), mover.name


@pytest.mark.parametrize(("head", "height"), [(TEN, 0.9), (LOW, 0.3)], ids=["10 GHz", "24 GHz"])
def test_a_mirror_that_rises_changes_the_signal_as_a_second_solution_says(head, height):
    """Hadamard's formula against the ground solved again a little higher under a stretch of it."""
    lift, x = 0.001, np.arange(0.0, 60.25, 0.5)
    bump = lift * np.clip(1.0 - np.abs(x - 30.0) / 10.0, 0.0, 1.0)
    field = solve_beam(head, x, np.zeros(x.size), height, height)
    again = solve_beam(head, x, bump, height, height)
    change = np.trapezoid(surface_density(field) * bump, x)
    s0, s1 = field.overlap[60], again.overlap[60]
    # the flattened frame turns the signal by -k times the integral of slope d(slope); of second order here
    assert abs(change) == pytest.approx(abs((s1 - s0) / s0), rel=0.01)


def test_grass_moves_the_level_where_the_beam_meets_the_ground():
    field = flat_field(LOW, 60.0, 0.3, 0.3)
    grass = Mover("grass", "surface", 0.03, 2.0, 5.0)
    found = mover_response(field, grass, around(field, np.linspace(-4, 4, 17)))
    assert found[60, 8] == found.max(axis=1)[60]
    assert found[60, 0] < 0.2 * found[60, 8]
    double = mover_response(field, Mover("grass", "surface", 0.06, 2.0, 5.0), around(field, [0.0]))
    assert double[60, 0] == pytest.approx(2.0 * found[60, 8])


def test_fabric_that_stands_still_gives_nothing_and_more_movement_more():
    field = flat_field()
    still, little, more = (
        mover_response(field, Mover("fabric", "fabric", 2.0, 0.05, 3.0, reflects=0.3, sway_m=s), around(field, [3.0]))
        for s in (0.0, 0.01, 0.03)
    )
    assert still.max() == 0.0
    assert 0.0 < little.max() < more.max()


def test_the_request_gives_what_one_call_gives_and_no_less_with_what_is_not_known():
    field = flat_field()
    place = around(field, np.linspace(-6, 6, 25))
    movers = (MOVERS["lorry"], MOVERS["grass in wind"])
    answer = NuisanceRequest(place, movers, larger=0.15, aim_deg=1.0)(field)
    assert answer.modulation[0] == pytest.approx(mover_response(field, movers[0], place))
    assert (answer.high >= answer.modulation).all()
    assert answer.high[0].max() > answer.modulation[0].max()


def test_a_size_out_of_range_is_refused():
    with pytest.raises(Exception, match="the mover's width_m is out of range") as refused:
        Mover("ship", "body", 4.0, 40.0)
    assert "ship" in str(refused.value)


def test_a_body_that_passes_is_taken_at_its_strongest_phase():
    """The answer lies on or above the screen at every centimetre around, and within a third of the largest of them."""
    field = flat_field(LOW, 60.0, 0.9, 0.9)
    for away in (1.0, 2.0, 3.0):
        places = np.linspace(away, away + 0.3, 61)
        exact = np.abs(lateral_share(LOW, field.chainage_m, 60.0, places, 0.6))[60]
        body = Mover("body", "body", 1.8, 0.6)
        above = mover_response(field, body, around(field, places))[60]
        screen = exact * np.abs(field.share_below(np.full((121, 1), 1.8)))[60]
        assert (above >= screen * 0.999).all()
        assert above.max() < 1.34 * screen.max()
