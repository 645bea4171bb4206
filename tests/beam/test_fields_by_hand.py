"""A field made by hand, whose integrals are known: what a body takes, how high it must be, what lies between.

No wave is solved here. Red when a sum over height or width, the place of the ground, a floor or a phase goes wrong.
"""

import numpy as np
import pytest
from scipy.special import erf

from geotools.beam import HEAD_TYPES, Target
from geotools.beam.antenna import lateral_fraction
from geotools.beam.cells import FineGround, _parts, fine_axis, strip_on
from geotools.beam.field import BeamField, HeadPlacing, SolvedField, _crossing, _running_share
from geotools.beam.field3d import Field3D, Mesh, _moved, _on_mesh, _ramp
from geotools.beam.profile import Beam
from geotools.beam.strip import Strip, modulations
from geotools.errors import NumericInputError

HEAD = HEAD_TYPES["10 GHz"]
X = np.linspace(0.0, 20.0, 5)
DZ, TOP = 0.02, 3.0
Z = np.arange(round(TOP / DZ) + 1) * DZ


def beam_field(density, *, ground=0.0, free=1.0, aim=1.0, tilted=1.0):
    """A field whose overlap has this density over height, 1/m, at every chainage."""
    product = np.broadcast_to(density(Z) * tilted, (X.size, Z.size)).astype(complex)
    overlap = np.full(X.size, np.trapezoid(density(Z), Z) * tilted, dtype=complex)
    ground = np.broadcast_to(np.asarray(ground, dtype=float), X.shape)
    return BeamField(
        heads=HeadPlacing(HEAD, 1.0, 1.0, (0.0, 0.0)),
        chainage_m=X,
        ground_m=ground,
        solved=SolvedField(product, overlap, ground, DZ, 0.0),
        free_signal=free,
        aim_loss=aim,
    )


def even(z):
    return np.full(np.shape(z), 1.0 / TOP)


WIDE = np.ones((X.size, 1))


def test_what_a_body_takes_of_an_even_field_is_its_share_of_the_height():
    field = beam_field(even, ground=5.0, tilted=np.exp(0.7j))
    assert field.top_m == pytest.approx(TOP)
    for base, height in ((0.0, 0.6), (0.9, 0.6), (0.33, 1.234)):
        body = Target("body", height, 0.5, base)
        found = field.modulation_grid(body, [0.0], np.full((X.size, 1), 5.0), lateral=WIDE)
        assert found == pytest.approx(height / TOP, abs=1e-6)
        # a metre up on a bank of 0.25 m, and in a ditch as deep: only what stands above the field's ground counts
        ditch = field.modulation_grid(body, [0.0], np.full((X.size, 1), 4.75), lateral=WIDE)
        assert ditch == pytest.approx((max(base - 0.25 + height, 0) - max(base - 0.25, 0)) / TOP, abs=1e-6)
        bank = field.modulation_grid(body, [0.0], np.full((X.size, 1), 5.25), lateral=WIDE)
        assert bank == pytest.approx(height / TOP, abs=1e-6)
    tall = field.modulation_grid(Target("pole", 5.0, 0.5), [0.0], np.full((X.size, 1), 5.0), lateral=WIDE)
    assert tall == pytest.approx(1.0, abs=1e-5)
    # in the phase of the signal: nothing is left of it behind a wall
    wall = field.cut_grid(Target("wall", 5.0, 10.0), [0.0], np.full((X.size, 1), 5.0))
    assert wall[1:-1] == pytest.approx(1.0, abs=0.02)


def test_bodies_on_the_same_ground_one_after_the_other_are_each_their_own():
    field, ground = beam_field(lambda z: 2.0 * z / TOP**2), np.zeros((X.size, 1))
    for base, height in ((0.0, 0.5), (0.0, 1.0), (0.4, 1.0), (0.4, 0.2)):
        found = field.modulation_grid(Target("body", height, 0.5, base), [0.0], ground, lateral=WIDE)
        assert found == pytest.approx(((base + height) ** 2 - base**2) / TOP**2, abs=1e-5)
    other = field.modulation_grid(Target("body", 0.2, 0.5, 0.4), [0.0], ground + 0.3, lateral=WIDE)
    assert other == pytest.approx((0.9**2 - 0.7**2) / TOP**2, abs=1e-5)


def test_bodies_looked_for_at_once_are_each_their_own_for_one_look_into_the_field(monkeypatch):
    field, looked = beam_field(lambda z: 2.0 * z / TOP**2), []
    strip = Strip(X, np.array([-0.5, 0.0, 0.5]), np.zeros((X.size, 3)))
    below = BeamField.share_below
    monkeypatch.setattr(BeamField, "share_below", lambda self, z: looked.append(np.shape(z)) or below(self, z))
    # underside, height, width, grass; the third lies in the grass whole
    bodies = (
        (0.0, 0.5, 0.5, 0.0),
        (0.4, 1.0, 0.5, 0.0),
        (0.0, 0.3, 0.5, 0.4),
        (0.0, 1.0, 0.9, 0.25),
        (0.4, 0.2, 0.5, 0.0),
    )
    asked = [(Target("body", height, width, base), grass) for base, height, width, grass in bodies]
    found = modulations(field, asked, strip)
    assert len(looked) == 1 and found.shape == (5, X.size, 3)
    for one, (base, height, width, grass) in zip(found, bodies, strict=True):
        low, top = max(base, grass), base + height
        taken = max(top**2 - low**2, 0.0) / TOP**2 if top > low else 0.0
        across = np.abs(lateral_fraction(HEAD, X, float(X[-1]), strip.offset_m, width))
        assert one == pytest.approx(taken * across, abs=1e-5)
    assert not modulations(field, asked[2:3], strip).any()


@pytest.mark.parametrize(("free", "aim"), [(1.0, 1.0), (2.0, 1.0), (10.0, 1.0), (1.0, 0.5), (4.0, 0.5)])
def test_modulation_is_related_to_the_signal_or_to_three_tenths_of_free_space(free, aim):
    field = beam_field(even, free=free, aim=aim)
    related = max(aim, 0.3 * free)
    assert field.quiet_level == pytest.approx(aim / related)
    assert field.standing_level_db == pytest.approx(20 * np.log10(aim / free))
    found = field.modulation_grid(Target("body", 0.6, 0.5), [0.0], np.zeros((X.size, 1)), lateral=WIDE)
    assert found == pytest.approx(0.6 / TOP * aim / related, abs=1e-6)


@pytest.mark.parametrize("ground", [0.0, 7.0])
@pytest.mark.parametrize("up", [0.0, 0.07, -0.1])
def test_the_floor_is_where_the_share_reaches_the_threshold(ground, up):
    """Density 2 z / top^2: z^2 - foot^2 = threshold / lateral * top^2."""
    field = beam_field(lambda z: 2.0 * z / TOP**2, ground=ground)
    lateral = np.array([[1.0, 0.5, 0.25, 0.01]] * X.size)
    for threshold in (0.05, 0.2, 0.24):
        floor = field.floor_grid(lateral, threshold, np.full((X.size, 1), ground + up))
        wanted = np.sqrt(max(up, 0.0) ** 2 + threshold / lateral * TOP**2)
        wanted = np.where(wanted > TOP, np.inf, wanted)
        assert np.array_equal(np.isinf(floor), np.isinf(wanted))
        known = np.isfinite(wanted)
        assert floor[known] - ground == pytest.approx(wanted[known], abs=2e-4)
        low = field.floor_grid(lateral, threshold, np.full((X.size, 1), ground + up), highest_m=1.0)
        assert np.isfinite(low[known & (wanted < up + 0.95)]).all()
        assert np.isinf(low[wanted > up + 1.1]).all()


def test_a_floor_below_the_first_height_is_found_within_that_cell():
    field = beam_field(even)
    lateral = np.ones((X.size, 1))
    for height in (0.004, 0.011, 0.019):
        floor = field.floor_grid(lateral, height / TOP, np.zeros((X.size, 1)))
        assert floor == pytest.approx(height, abs=2e-4)


def test_a_crossing_goes_from_one_side_to_the_other_and_a_wrong_one_is_refused():
    at = _crossing(1.0)
    assert at[0] == -1.0 and at[-1] == 1.0 and at == pytest.approx(-at[::-1])
    assert np.diff(at).min() > 0 and np.diff(at).max() <= 0.2 + 1e-9 and 0.0 in at
    assert _crossing(0.0) == pytest.approx([0.0])
    field = beam_field(even)
    for wrong in (lambda: _crossing(-0.1), lambda: _crossing(np.nan)):
        with pytest.raises(NumericInputError):
            wrong()
    for width, threshold in ((0.0, 0.2), (0.5, 0.0)):
        with pytest.raises(NumericInputError):
            field.detection_floor(width, threshold, half_width_m=1.0)
    body = Target("body", 0.6, 0.5)
    for given in (
        {"offset_m": np.nan},
        {"offset_m": [0.0]},
        {"target_ground_m": [0.0, 1.0]},
        {"target_ground_m": np.nan},
    ):
        with pytest.raises(NumericInputError):
            field.modulation(body, **given)
    # the highest of a crossing is on the beam line, and its floor the lowest
    assert field.peak_modulation(body, 2.0) == pytest.approx(field.modulation(body))
    straight = field.detection_floor(0.5, 0.01, half_width_m=0.0)
    assert field.detection_floor(0.5, 0.01, half_width_m=2.0) == pytest.approx(straight)


@pytest.mark.parametrize("depth", [0.0, 0.004 - 0.003j, 0.006j])
def test_the_running_share_is_the_integral_and_lies_deeper_for_an_imperfect_mirror(depth):
    """Even density cos(b z): from depth to depth + z, (sin b(z + depth) - sin b depth) / b, to the last height."""
    b, dz = 2.0, 0.01
    z = np.arange(200) * dz
    density, share = _running_share(np.cos(b * z)[None, :] + 0j, dz, 1.0, depth)
    assert np.abs(share[0] - (np.sin(b * (z + depth)) - np.sin(b * depth)) / b).max() < 2e-6
    # second order of the depth at the last height, where the neighbour is guessed
    assert np.abs(density[0] - np.cos(b * (z + depth)))[:-1].max() < 2e-6


def test_a_mirror_far_below_the_ground_counts_to_the_third_order_of_its_depth():
    b, dz, depth = 2.0, 0.01, 0.04
    z = np.arange(200) * dz
    _, share = _running_share(np.cos(b * z)[None, :] + 0j, dz, 1.0, depth)
    wanted = (np.sin(b * (z + depth)) - np.sin(b * depth)) / b
    # the fourth order is depth^4 b^3 / 24 = 9e-7, the third 4e-5
    assert np.abs(share[0] - wanted)[:-1].max() < 4e-6


def test_a_field_in_three_dimensions_is_cut_by_its_integral_over_the_body():
    across, up = np.arange(-40, 41) * 0.05, np.arange(101) * 0.03
    x = np.array([0.0, 10.0, 20.0])
    wide, high = 0.6, 0.5
    product = np.exp(-((across / wide) ** 2))[:, None] * np.exp(-(((up - 1.0) / high) ** 2))[None, :]
    tilt = np.exp(0.4j)
    whole = np.pi * wide * high / 2 * (1 + erf(1.0 / high))
    field = Field3D(
        x, across, np.tile(0.02 * across, (3, 1)), np.array([product] * 3) * tilt, 0.03, whole * tilt, whole / 0.9, 0.0
    )
    assert np.abs(field.overlap() - whole * tilt).max() < 1e-3 * whole
    assert field.standing_level_db == pytest.approx(20 * np.log10(0.9))
    body = Target("body", 0.7, 0.4, 0.5)
    places = np.array([-0.5, 0.0, 0.8])
    # the body stands level on the ground at its centre; over sloping ground that is aside and above the columns
    s, t = np.meshgrid(np.linspace(-0.2, 0.2, 401), np.linspace(0.0, 0.7, 701), indexing="ij")
    expected = []
    for place in places:
        y, above = place + s, 0.5 + t + 0.02 * place - 0.02 * (place + s)
        inside = np.exp(-((y / wide) ** 2) - ((above - 1.0) / high) ** 2)
        expected.append(np.trapezoid(np.trapezoid(inside, t[0], axis=1), s[:, 0]) / whole)
    assert np.abs(field.cut(body, 1, places) - expected).max() < 1e-4
    weak = Field3D(x, across, field.ground_m, field.product, 0.03, whole * tilt, whole / 0.1, 0.0)
    assert np.abs(weak.cut(body, 1, places) - np.array(expected) / 3.0).max() < 1e-4


@pytest.mark.parametrize("columns", [9, 31, 201])
def test_a_body_takes_of_a_field_in_three_dimensions_up_to_its_top_and_no_farther(columns):
    """An even field of 1 up to 3 m over level ground, of 101 heights and more or fewer columns; the signal is 10."""
    across = np.linspace(-2.0, 2.0, columns)
    field = Field3D(
        X[:3], across, np.zeros((3, columns)), np.ones((3, columns, 101), dtype=complex), 0.03, 10.0 + 0j, 10.0, 0.0
    )
    for base, height, taken in ((0.0, 0.5, 0.5), (0.2, 2.6, 2.6), (0.0, 3.0, 3.0), (0.5, 5.0, 2.5), (3.1, 1.0, 0.0)):
        assert field.cut(Target("body", height, 0.4, base), 1, np.array([0.0, 0.3])) == pytest.approx(0.04 * taken)


def test_what_lies_between_nodes_under_the_beam_line_is_the_lines_own():
    """A bump of 5 cm halfway between two nodes, on the line alone or a quarter of a metre beside it."""
    x, y = np.arange(11.0), np.linspace(-1.0, 1.0, 5)
    along, across = fine_axis(x, 0.5), fine_axis(y, 0.25)
    for column, high in ((4, 0.05), (3, 0.0), (5, 0.0)):
        ground = np.zeros((21, 9))
        ground[5, column] = 0.05
        at, above = strip_on(x, y, FineGround(along, across, ground)).line_detail_m
        assert at == pytest.approx(along) and above == pytest.approx(np.where(along == 2.5, high, 0.0))


def test_moving_columns_is_exact_for_cubics_and_holds_at_the_sides():
    place = np.arange(12.0)

    def cubic(p):
        return 0.3 * p**3 - 2.0 * p**2 + p - 5.0

    values = np.stack([cubic(place), 2.0 * cubic(place)], axis=1)
    by = np.linspace(-0.9, 0.9, 12)[:, None] * np.array([1.0, -0.5])
    wanted = np.stack([cubic(place + by[:, 0]), 2.0 * cubic(place + by[:, 1])], axis=1)
    assert _moved(values, by)[2:-2] == pytest.approx(wanted[2:-2], abs=1e-3)
    assert _moved(values, np.full((12, 2), -50.0))[:, 0] == pytest.approx(cubic(1.0), abs=1e-4)
    assert _moved(values, np.full((12, 2), 50.0))[:, 0] == pytest.approx(cubic(9.999), abs=1e-2)
    assert _ramp(np.array([0.0, 0.6, 0.8, 1.0, 1.2]), 0.6) == pytest.approx([0.0, 0.0, 0.5, 1.0, 1.0])


def test_a_plane_comes_onto_the_mesh_square_to_its_slope():
    grade, along = 0.2, 0.03
    y = np.linspace(-2.0, 2.0, 9)
    strip = Strip(X, y, along * X[:, None] + grade * y[None, :])
    across = np.linspace(-1.5, 1.5, 7)
    mesh_x = np.linspace(0.0, 20.0, 41)
    turned = _on_mesh(strip, float(np.arctan(grade)), mesh_x, across)
    assert turned.shape == (41, 7) and np.abs(turned).max() < 1e-9
    assert _on_mesh(strip, 0.0, mesh_x, across) == pytest.approx(np.tile(grade * across, (41, 1)))
    bump = strip.ground_m + np.where(X == 10.0, 1.0, 0.0)[:, None]
    raised = _on_mesh(Strip(X, y, bump), 0.0, mesh_x, across) - grade * across
    assert raised[:, 3] == pytest.approx(np.clip(1.0 - np.abs(mesh_x - 10.0) / 5.0, 0.0, 1.0))


def test_fine_places_that_leave_nodes_out_are_refused_to_a_millionth_of_a_metre():
    nodes = np.arange(5.0)
    assert _parts(nodes, np.linspace(0.0, 4.0, 9)) == 2 and _parts(nodes, nodes) == 1
    assert _parts(nodes, np.linspace(0.0, 4.0, 9) + 5e-7) == 2
    for wrong in (np.linspace(0.0, 4.0, 9) + 2e-6, np.linspace(0.0, 4.0, 10), np.linspace(0.0, 4.0, 3), nodes * 1.001):
        with pytest.raises(NumericInputError, match="leaves nodes"):
            _parts(nodes, wrong)
    with pytest.raises(NumericInputError, match="leaves nodes"):
        _parts(nodes, nodes[:1])


def test_a_pit_between_four_nodes_lies_under_each_of_them_and_no_other():
    x, y = np.arange(11.0), np.linspace(-1.0, 1.0, 5)
    along, across = fine_axis(x, 0.5), fine_axis(y, 0.25)
    assert along == pytest.approx(np.arange(21) * 0.5) and across == pytest.approx(np.arange(-4, 5) * 0.25)
    assert fine_axis(x, 0.51).size == 21 and fine_axis(x, 1.0).size == 11 and fine_axis(x, 3.0).size == 11
    ground = np.zeros((21, 9))
    ground[5, 3] = -0.3  # 2.5 m along, 0.25 m to the right
    made = strip_on(x, y, FineGround(along, across, ground))
    wanted = np.zeros((11, 5))
    wanted[2:4, 1:3] = 0.3
    assert made.drop_m == pytest.approx(wanted) and made.ground_m.max() == made.ground_m.min() == 0.0


def test_the_mesh_samples_aperture_and_pattern():
    """Waist and pattern of a 10 GHz head of 6 degrees, by hand."""
    k = 2 * np.pi * 10.525e9 / 299792458.0
    w0 = np.sqrt(2 * np.log(2)) / (k * np.sin(np.radians(3.0)))
    beam = Beam(HEAD, X, 0 * X, 1.0, 1.0)
    mesh = Mesh.of(beam, 20.2)
    assert mesh.dx == pytest.approx(20.2 / 41) and mesh.dy == pytest.approx(0.8 * w0)
    edge = 2 * np.sqrt(np.log(1000.0)) / (k * w0)
    assert mesh.dz == pytest.approx(min(max(0.8 * np.pi / (k * (edge + 0.05)), 0.01), 0.03))
    # narrower heads of a shorter wave: between the limits
    other = HEAD_TYPES["24 GHz"]
    k, half = other.wavenumber, np.radians(other.beamwidth_el_deg / 2)
    edge = 2 * np.sqrt(np.log(1000.0)) * np.sin(half) / np.sqrt(2 * np.log(2))
    found = Mesh.of(Beam(other, X, 0 * X, 1.0, 1.0), 20.2).dz
    assert found == pytest.approx(0.8 * np.pi / (k * (edge + 0.05))) and 0.01 < found < 0.03
    finer = Mesh.of(beam, 20.2, finer=2.0)
    assert (finer.dx, finer.dy, finer.dz) == pytest.approx((20.2 / 81, mesh.dy / 2, mesh.dz / 2))
