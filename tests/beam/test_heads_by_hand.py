"""Heads, screens of the march, grids and levels against small cases worked by hand or summed as plane waves.

Red when a pattern, a limit, a pointing error, a phase of the march, a search for a way out of a null goes wrong.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, HeadType, standing
from geotools.beam.antenna import lateral_density, lateral_share, pointing_loss, waist
from geotools.beam.closed_form import fresnel_radius, grazing_factor, two_ray_level_db
from geotools.beam.grid import ABSORBER_SHARE, BeamGrid, choose_grid
from geotools.beam.interference import HeadArray, pattern_db, reception, terrain_loss_db
from geotools.beam.profile import Beam, capped_ground, checked_profile
from geotools.beam.sweep import _aperture, _bends, _screens
from geotools.beam.wave import _at_nodes, batches_of
from geotools.errors import NumericInputError

HEAD = HEAD_TYPES["10 GHz"]
X = np.linspace(0.0, 40.0, 81)
LIMITS = [
    ("frequency_hz", 1e9, 100e9),
    ("beamwidth_az_deg", 0.5, 40.0),
    ("beamwidth_el_deg", 0.5, 40.0),
    ("max_range_m", 1.0, 5000.0),
]


@pytest.mark.parametrize(("field", "low", "high"), LIMITS)
def test_a_head_outside_its_limits_is_refused_and_at_them_is_not(field, low, high):
    usual = {
        "name": "head",
        "frequency_hz": 1e10,
        "beamwidth_az_deg": 3.0,
        "beamwidth_el_deg": 3.0,
        "max_range_m": 99.0,
    }
    for value in (low, high):
        assert getattr(HeadType(**{**usual, field: value}), field) == value
    for value in (low * 0.99, high * 1.01, math.nan, math.inf, "3"):
        with pytest.raises(NumericInputError, match=field):
            HeadType(**{**usual, field: value})


def plane_waves(head, length, pan):
    """Both sweeps across the beam as sums of plane waves, at a cut a third of the way: places, product, its sum."""
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_az_deg)
    y = (np.arange(8192) - 4096) * 0.02
    ky = 2 * np.pi * np.fft.fftfreq(y.size, 0.02)

    def at(distance, angle):
        aperture = np.exp(-((y / w0) ** 2) + 1j * k * np.sin(np.radians(angle)) * y)
        return np.fft.ifft(np.fft.fft(aperture) * np.exp(-0.5j * ky**2 * distance / k))

    product = at(length / 3, pan[0]) * at(2 * length / 3, pan[1])
    return y, product, product.sum() * 0.02


@pytest.mark.parametrize("pan", [(0.0, 0.0), (1.5, 0.0), (0.0, -1.0), (1.0, 1.0), (2.0, -0.7)])
def test_heads_that_point_aside_are_the_sum_of_plane_waves(pan):
    length = 30.0
    y, product, whole = plane_waves(HEAD, length, pan)
    _, _, aimed = plane_waves(HEAD, length, (0.0, 0.0))
    assert pointing_loss(HEAD, length, pan) == pytest.approx(abs(whole / aimed), abs=1e-6)
    offsets = np.array([-1.0, 0.0, 0.42])
    expected = np.array([product[np.abs(y - at) < 0.31].sum() * 0.02 / whole for at in offsets])
    at = np.array([length / 3])
    assert np.abs(lateral_share(HEAD, at, length, offsets, 0.62, pan_deg=pan)[0] - expected).max() < 1e-2
    density, curvature, centre = lateral_density(HEAD, at, length, y[None, :], pan)
    assert np.abs(density[0] - product / whole).max() < 1e-5
    assert density[0] == pytest.approx(np.sqrt(curvature / np.pi) * np.exp(-curvature * (y - centre) ** 2), abs=1e-9)


def grid_of(ground, *, tx=0.5, rx=0.8, dx=0.5, dz=0.02, size=96):
    return BeamGrid(dx=dx, dz=dz, size=size, ground_m=np.asarray(ground, float), tx_height_m=tx, rx_height_m=rx)


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("depth", [0.0, 0.002 - 0.003j])
def test_an_aperture_is_a_head_aimed_at_the_other_less_its_image(reverse, depth):
    """Plumb field of a Gaussian head above a facet: the head's own, less that of a head as deep below."""
    ground = 0.04 * np.arange(9) * 0.5 + np.r_[0.0, 0.05, np.zeros(6), 0.02]
    beam = Beam(HEAD, np.arange(9) * 0.5, ground, 0.05, 0.08, tx_tilt_deg=2.0, rx_tilt_deg=-1.0)
    found = _aperture(beam, grid_of(ground, tx=0.05, rx=0.08), depth, reverse)
    k = HEAD.wavenumber
    w0 = math.sqrt(2 * math.log(2)) / (k * math.sin(math.radians(3.0)))
    near, far, facet = (0.08, 0.05, ground[-2] - ground[-1]) if reverse else (0.05, 0.08, ground[1] - ground[0])
    rise = (ground[0] - ground[-1] if reverse else ground[-1] - ground[0]) + far - near
    slope = rise / 4.0 + math.tan(math.radians(-1.0 if reverse else 2.0)) - facet / 0.5
    z, own = np.arange(96) * 0.02, near + depth

    def head(above):
        return np.exp(-(above**2) / w0**2) * np.exp(1j * k * slope * above)

    assert np.abs(found - (head(z - own) - head(-z - own))).max() < 1e-12
    assert abs(found[0]) < 1e-12 < np.abs(found).max()


def test_screens_turn_the_phase_by_the_change_of_slope_at_the_true_height():
    depth = 0.003 + 0.004j
    grounds = [np.array([0.0, 0.1, 0.05, 0.05, 0.2]), np.array([0.0, 0.0, -0.1])]
    beams = [Beam(HEAD, np.arange(g.size) * 0.5, g, 0.5, 0.5) for g in grounds]
    kick = _bends(beams, [grid_of(g) for g in grounds], 4)
    layer = np.linspace(1.0, 0.5, 30)
    fade = np.array([layer, layer**2]).astype(complex)
    whole = _screens(kick, np.array([0.02, 0.02]), np.array([depth, 0.0]), fade, 96).reshape(4, 4, 96)
    z = np.arange(96) * 0.02
    for row, (ground, deep) in enumerate(
        [(grounds[0], depth), (grounds[1], 0.0), (grounds[0][::-1], depth), (grounds[1][::-1], 0.0)]
    ):
        slope = [(b - a) / 0.5 for a, b in pairwise(ground)]
        for step in range(4):
            bend = slope[step + 1] - slope[step] if step + 1 < len(slope) else 0.0
            expected = np.exp(-1j * HEAD.wavenumber * bend * (z - deep))
            expected[66:] *= layer ** (1 + row % 2)
            assert np.abs(whole[step, row] - expected).max() < 1e-9
            single = _screens(kick, np.array([0.02, 0.02]), np.array([depth, 0.0]), fade.astype(np.complex64), 96)
            assert np.abs(single.reshape(4, 4, 96)[step, row] - expected).max() < 3e-6


def test_a_way_out_of_a_null_is_the_nearest_that_clears_it(monkeypatch):
    """Levels by the two-ray sum in place of a solve; the search is done again by brute force."""

    def level(beam):
        return two_ray_level_db(HEAD.wavelength_m, 60.0, beam.tx_height_m, beam.rx_height_m)

    class Solved:
        def __init__(self, beam):
            self.standing_level_db = level(beam)

    monkeypatch.setattr(standing, "solve_beams", lambda beams: [Solved(b) for b in beams])
    x = np.linspace(0.0, 60.0, 121)
    beams = [Beam(HEAD, x, 0 * x, tx, tx + 0.1) for tx in (0.18, 0.3, 0.85, 0.90, 0.95, 1.25, 1.35)]
    found = standing.leave_null(beams)
    assert any(one is None for one in standing.leave_null(beams, reach_m=0.02))
    ups = downs = 0
    for beam, one in zip(beams, found, strict=True):
        clear = [
            (abs(n), n)
            for n in range(-20, 21)
            if n
            and beam.tx_height_m + 0.02 * n >= 0.15
            and two_ray_level_db(HEAD.wavelength_m, 60.0, beam.tx_height_m + 0.02 * n, beam.rx_height_m + 0.02 * n)
            >= -7
        ]
        nearest = min(clear)[1]
        ups, downs = ups + (nearest > 0), downs + (nearest < 0)
        assert one.tx_height_m == pytest.approx(beam.tx_height_m + 0.02 * nearest)
        assert one.rx_height_m == pytest.approx(beam.rx_height_m + 0.02 * nearest)
        assert one.standing_level_db == pytest.approx(
            two_ray_level_db(HEAD.wavelength_m, 60.0, one.tx_height_m, one.rx_height_m)
        )
    assert ups and downs


def heads(*places, azimuth=0.0, tilt=0.0, vertical=True, frequency=10.525e9):
    n = len(places)
    full = [np.full(n, v) for v in (azimuth, tilt, frequency, 6.0, 4.0)]
    return HeadArray(np.array(places, float), *full, np.full(n, vertical))


def test_heads_on_one_post_are_taken_half_a_metre_apart():
    one, other = heads((0.0, 0.0, 1.0)), heads((0.0, 0.1, 1.0), (0.0, 0.5, 1.0), (0.0, 1.0, 1.0))
    found = reception(one, other).distance_db[0]
    spread = 20 * np.log10(4 * np.pi * np.array([0.5, 0.5, 1.0]) * 10.525e9 / 299792458.0)
    assert found == pytest.approx(spread)


def test_reception_by_hand():
    """A head 30 m north-east and 3 m up, aimed away from it by 10 and 2 degrees; its own aim off by 20 and -1."""
    place = (30 * math.sin(math.radians(40)), 30 * math.cos(math.radians(40)), 4.0)
    up = math.degrees(math.atan2(3.0, 30.0))
    rx = heads((0.0, 0.0, 1.0), azimuth=50.0, tilt=up - 2.0)
    tx = heads(place, azimuth=200.0, tilt=-up - 1.0, vertical=False)
    found = reception(rx, tx, cross_polar_db=17.0, floor_db=200.0)
    twelve = 40 * math.log10(2.0)
    assert found.pattern_db[0, 0] == pytest.approx(
        twelve * ((10 / 6) ** 2 + (2 / 4) ** 2 + (20 / 6) ** 2 + (1 / 4) ** 2)
    )
    assert found.polarisation_db[0, 0] == 17.0
    assert found.level_db[0, 0] == pytest.approx(-(found.distance_db + found.pattern_db + 17.0)[0, 0])
    assert pattern_db(3.0, 0.0, 6.0, 4.0) == pytest.approx(3.01, abs=0.01)
    assert pattern_db(0.0, 2.0, 6.0, 4.0) == pytest.approx(3.01, abs=0.01)
    assert pattern_db(100.0, 0.0, 6.0, 4.0, floor_db=25.0) == 25.0
    for share, apart in ((1.049, False), (1.06, True), (0.94, True)):
        other = heads(place, frequency=10.525e9 * share)
        assert math.isinf(reception(rx, other).distance_db[0, 0]) == apart


def test_terrain_is_the_highest_edge_and_is_asked_where_it_matters():
    """A wall of 1 m over the line, a third of the way along 30 m: nu by hand, 6.9 + ... of the recommendation."""

    def wall(x, y):
        return np.where(np.abs(x - 10.0) < 1.0, 3.0, -50.0)

    wave = 0.0285
    found = terrain_loss_db([[0.0, 0.0, 2.0]], [[30.0, 0.0, 2.0]], wave, wall, spacing_m=0.5)
    nus = [1.0 * math.sqrt(2 * 30 / (wave * d * (30 - d))) for d in (9.25, 10.75)]
    low, high = (6.9 + 20 * math.log10(math.hypot(nu - 0.1, 1.0) + nu - 0.1) for nu in sorted(nus))
    assert low - 0.4 < found[0] < high + 0.4
    assert terrain_loss_db([[0.0, 0.0, 2.0]], [[30.0, 0.0, 2.0]], wave, lambda x, y: x * np.nan)[0] == 0.0
    grazing = terrain_loss_db([[0.0, 0.0, 2.0]], [[30.0, 0.0, 2.0]], wave, lambda x, y: 0 * x + 2.0, spacing_m=0.5)
    assert grazing[0] == pytest.approx(6.02, abs=0.01)
    rx, tx = heads((0.0, 0.0, 2.0), azimuth=90.0), heads((30.0, 0.0, 2.0), (30.0, 1.0, 2.0), azimuth=270.0)
    asked = reception(rx, tx, ground=wall, ask_terrain=lambda level: np.array([[False, True]]))
    assert asked.terrain_db[0, 0] == 0.0 < asked.terrain_db[0, 1]
    assert (reception(rx, tx, ground=wall).terrain_db > 0).all()


def test_a_grid_keeps_even_nodes_and_clears_the_heads():
    x = np.linspace(0.0, 40.0, 81)
    grid = choose_grid(Beam(HEAD, x, 0 * x, 1.0, 1.5), x, 0 * x, None, None)
    assert grid.dx == pytest.approx(0.5) and grid.ground_m.size == 81
    assert (grid.tx_height_m, grid.rx_height_m) == pytest.approx((1.0, 1.5))
    w0 = waist(HEAD.wavenumber, 6.0)
    reach = max(3 * float(fresnel_radius(HEAD.wavelength_m, 20.0, 20.0)), 3 * w0)
    assert grid.size * grid.dz * (1 - ABSORBER_SHARE) >= 1.5 + reach - 1e-9
    # the widest wavenumber of the pattern is sampled at least twice a period
    assert grid.dz <= np.pi / (HEAD.wavenumber * 2 * math.sqrt(math.log(1e3)) / (HEAD.wavenumber * w0)) + 1e-9
    assert choose_grid(Beam(HEAD, x, 0 * x, 1.0, 1.5), x, 0 * x, 0.25, 0.01).dx == pytest.approx(0.25)
    rough = 0.1 * np.sin(x / 1.5)
    wide, line = np.linspace(0.0, 40.0, 21), np.zeros(21)
    assert choose_grid(Beam(HEAD, wide, line, 1.0, 1.0), wide, line, None, None).dx <= 1.0
    assert choose_grid(Beam(HEAD, wide, line, 1.0, 1.0, coarse=True), wide, line, None, None).dx == pytest.approx(2.0)
    fine = choose_grid(Beam(HEAD, x, rough, 0.5, 0.5), x, rough, None, None)
    coarse = choose_grid(Beam(HEAD, x, rough, 0.5, 0.5, coarse=True), x, rough, None, None)
    assert coarse.dz == pytest.approx(1.5 * fine.dz)
    detail = (np.array([0.0, 19.0, 20.0, 21.0, 40.0]), np.array([0.0, 0.0, 0.2, 0.0, 0.0]))
    bent = choose_grid(Beam(HEAD, x, 0 * x, 0.5, 0.5, detail_m=detail), x, 0 * x, None, None)
    assert bent.ground_m[40] == pytest.approx(0.2) and bent.ground_m[39] == pytest.approx(0.1)


def test_a_grid_is_as_high_as_the_heads_and_their_zones_need_and_no_higher():
    """Free height by hand: line of the heads, and three Fresnel radii or waists above it; a person at least."""
    x = np.linspace(0.0, 40.0, 81)
    narrow, radius = replace(HEAD, beamwidth_el_deg=0.5), math.sqrt(HEAD.wavelength_m * 20.0 * 20.0 / 40.0)
    for head, tx, rx in ((HEAD, 1.0, 1.5), (HEAD, 0.1, 0.1), (HEAD, 3.0, 0.5), (narrow, 1.0, 1.5)):
        # the narrower the beam, the wider its waist: 1.2 m there, and it decides
        free = max(max(tx, rx) + 3 * max(radius, waist(head.wavenumber, head.beamwidth_el_deg)), 2.3)
        for dz in np.linspace(0.005, 0.03, 26):
            grid = choose_grid(Beam(head, x, 0 * x, tx, rx), x, 0 * x, None, float(dz))
            assert grid.size * dz * 0.6 >= free - 1e-9
            smaller = [
                s for s in (96, 128, 160, 192, 256, 320, 384, 512, 640, 768, 1024, 1280, 1536, 2048) if s < grid.size
            ]
            assert not smaller or smaller[-1] * dz * 0.6 < free
    # held closer where the beam grazes the ground, by less than half the lower head's height
    rise = {
        share: choose_grid(
            Beam(HEAD, x, share * np.sin(np.pi * x / 40.0), 1.0, 1.0), x, share * np.sin(np.pi * x / 40.0), None, None
        ).dz
        for share in (0.45, 0.55)
    }
    assert rise[0.55] < 0.75 * rise[0.45]


def test_ranges_of_the_generic_heads_are_round_figures():
    assert all(head.max_range_m % 50.0 == 0.0 for head in HEAD_TYPES.values())


def test_nodes_between_those_of_the_grid_are_linear_between_them():
    grid = grid_of(0.1 * np.arange(5), dx=1.0, size=100)
    product = np.arange(5)[:, None] * np.ones(100) + 0j
    x = np.array([0.0, 0.25, 2.0, 3.6, 4.0])
    made, overlap, ground = _at_nodes(x, grid, product, np.arange(5) + 0j)
    assert made.shape == (5, 80) and np.abs(made[:, 7] - x).max() < 1e-12
    assert np.abs(overlap - x).max() < 1e-12 and ground == pytest.approx(0.1 * x)
    made, overlap, ground = _at_nodes(np.array([0.0, 2.0, 4.0]), grid, product, np.arange(5) + 0j)
    assert np.abs(overlap - [0, 2, 4]).max() < 1e-12 and ground == pytest.approx([0.0, 0.2, 0.4])
    assert np.abs(made[:, 0] - [0, 2, 4]).max() < 1e-12


def test_batches_hold_every_beam_once_of_one_size_by_falling_steps():
    beams = []
    for length in (20.0, 60.0, 30.0, 100.0, 40.0, 25.0):
        x = np.linspace(0.0, length, round(2 * length) + 1)
        beams += [Beam(HEAD_TYPES[name], x, 0 * x, 0.5, 0.5) for name in HEAD_TYPES]
    batches = batches_of(beams)
    assert sorted(place for one in batches for place in one.places) == list(range(12))
    for one in batches:
        assert len({g.size for g in one.grids}) == 1
        assert [g.ground_m.size for g in one.grids] == sorted((g.ground_m.size for g in one.grids), reverse=True)
        assert all(beams[p] is b for p, b in zip(one.places, one.beams, strict=True))
    for given in ({"step_m": 0.0}, {"step_m": 5.1}, {"dz_m": 6.0}, {"dz_m": 0.0}):
        with pytest.raises(NumericInputError):
            batches_of(beams, **given)


def test_a_steep_ditch_is_closed_at_the_steepest_slope_the_field_follows():
    x = np.linspace(0.0, 10.0, 101)
    capped = capped_ground(x, 0.1 * x + np.where(np.abs(x - 5.0) < 1e-6, -2.0, 0.0))
    assert capped - 0.1 * x == pytest.approx(np.where(np.abs(x - 5.0) < 1e-6, -0.035, 0.0), abs=1e-9)
    wall = capped_ground(x, np.where(np.abs(x - 5.0) < 1e-6, 1.0, 0.0))
    assert wall == pytest.approx(np.maximum(1.0 - 0.35 * np.abs(x - 5.0), 0.0), abs=1e-9)


BAD = [
    {"chainage_m": [0.0]}, {"ground_m": [0.0, np.nan, 0.0]}, {"chainage_m": [0.0, 5.0, 5.0]},
    {"chainage_m": [0.0, 1.0, 2.9]}, {"tx_height_m": 0.04}, {"rx_height_m": 20.1}, {"tx_tilt_deg": 15.1},
    {"rx_pan_deg": -15.1}, {"polarisation": "round"}, {"ground_permittivity": 1.5}, {"chainage_m": [0.0, "a", 5.0]},
]  # fmt: skip


def test_a_profile_at_its_limits_is_taken_and_one_beyond_is_refused():
    usual = {"chainage_m": [7.0, 8.0, 10.0], "ground_m": [0.0, 1.0, 2.0], "tx_height_m": 0.05, "rx_height_m": 20.0}
    x, h = checked_profile(Beam(HEAD, **usual, tx_tilt_deg=15.0, rx_pan_deg=-15.0, ground_permittivity=1.6))
    assert x.tolist() == [0.0, 1.0, 3.0] and h.tolist() == [0.0, 1.0, 2.0]
    for bad in BAD:
        with pytest.raises(NumericInputError):
            checked_profile(Beam(HEAD, **{**usual, **bad}))


def test_grazing_factor_is_the_first_order_of_the_fresnel_coefficients():
    for permittivity in (4.0, 15.0, 15.0 + 2.0j):
        sine = 1e-4
        root = np.sqrt(permittivity - 1.0 + sine**2)
        horizontal = (sine - root) / (sine + root)
        vertical = (permittivity * sine - root) / (permittivity * sine + root)
        for name, exact in (("horizontal", horizontal), ("vertical", vertical)):
            assert grazing_factor(name, permittivity) == pytest.approx(np.log(-exact) / (-2 * sine), rel=1e-3)
    assert grazing_factor(None, 15.0) == 0.0
    # damp soil (common practice) where nothing else is said: 15 over the root of 14
    unstated = Beam(HEAD, X, 0 * X, 1.0, 1.0).ground_permittivity
    assert grazing_factor("vertical", unstated) == pytest.approx(15.0 / 14.0**0.5)
