"""Bodies in fields made by hand: how high they must be between two heights, on a bank, and who they are.

No wave is solved but in one test. Red when a floor between two heights goes straight where the field is curved, ground
above the field's own is forgotten, or a silhouette has another size than the manual's words give it.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, Beam, Target, solve_beam, standing
from geotools.beam.cells import fine_axis
from geotools.beam.closed_form import knife_edge_loss_db, knife_edge_nu
from geotools.beam.cross_section import cross_slope
from geotools.beam.field import SIGNAL_FLOOR, BeamField, HeadPlacing, SolvedField
from geotools.beam.movers import MOVERS, Mover
from geotools.beam.nuisance import MoverGround, NuisanceRequest, mover_response
from geotools.beam.profile import capped_ground
from geotools.beam.response import ResponseRequest
from geotools.beam.standing import CLEAR_DB, NULL_DB
from geotools.beam.strip import Strip, in_grass, straightness
from geotools.beam.targets import OVER_FENCE
from geotools.detection.cases import Case
from geotools.errors import NumericInputError

HEAD = HEAD_TYPES["10 GHz"]
X = np.linspace(0.0, 20.0, 5)


def coarse_field(density, dz, *, top=3.0, ground=0.0):
    """A field held at few heights: its overlap has this density over height, 1/m."""
    z = np.arange(round(top / dz) + 1) * dz
    product = np.broadcast_to(density(z), (X.size, z.size)).astype(complex)
    level = np.full(X.size, float(ground))
    return BeamField(
        heads=HeadPlacing(HEAD, 1.0, 1.0, (0.0, 0.0)),
        chainage_m=X,
        ground_m=level,
        solved=SolvedField(product, np.ones(X.size, complex), level, dz, 0.0),
        free_signal=1.0,
        aim_loss=1.0,
    )


@pytest.mark.parametrize("dz", [0.1, 0.25])
@pytest.mark.parametrize("power", [2, 3])
def test_between_two_heights_the_share_is_the_cubic_through_both_with_their_slopes(dz, power):
    """A share that goes with the third or the fourth power of the height: at quarters of a cell the cubic is known."""
    field = coarse_field(lambda z: (power + 1) * (z / 3.0) ** power / 3.0, dz)
    part = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    for cell in (3, 7):
        low, high = cell * dz, (cell + 1) * dz
        share, slope = (lambda z: (z / 3.0) ** (power + 1)), (lambda z: (power + 1) * (z / 3.0) ** power / 3.0)
        # Hermite's four polynomials, written out
        wanted = (
            share(low) * (1 + 2 * part) * (1 - part) ** 2
            + share(high) * part**2 * (3 - 2 * part)
            + dz * slope(low) * part * (1 - part) ** 2
            - dz * slope(high) * part**2 * (1 - part)
        )
        found = field.share_below(np.broadcast_to((cell + part) * dz, (X.size, 5)))
        assert found.real == pytest.approx(np.tile(wanted, (X.size, 1)), abs=2e-5) and np.abs(found.imag).max() < 1e-9
        # the floor is where that comes up to the threshold: at quarters exactly, between them on a straight line
        for number in (1, 2, 3):
            floor = field.floor_grid(np.ones((X.size, 1)), float(wanted[number]), np.zeros((X.size, 1)))
            assert floor == pytest.approx((cell + part[number]) * dz, abs=2.5e-3 * dz)
        between = 0.4 * wanted[1] + 0.6 * wanted[2]
        floor = field.floor_grid(np.ones((X.size, 1)), float(between), np.zeros((X.size, 1)))
        assert floor == pytest.approx((cell + 0.4) * dz, abs=2e-2 * dz)


@pytest.mark.parametrize("bank", [0.0, 0.4, 1.0, 1.5])
def test_on_a_bank_the_floor_counts_from_the_banks_top(bank):
    """An even field of 3 m above ground at 7 m: a third of the threshold is 0.9 m of it, above the foot."""
    for dz in (0.02, 0.1):
        field = coarse_field(lambda z: np.full(z.shape, 1 / 3.0), dz, ground=7.0)
        floor = field.floor_grid(np.ones((X.size, 1)), 0.3, np.full((X.size, 1), 7.0 + bank))
        assert floor == pytest.approx(7.0 + bank + 0.9, abs=1e-3)
        only = field.floor_grid(np.ones((X.size, 1)), 0.3, np.full((X.size, 1), 7.0 + bank), highest_m=0.8)
        assert (np.isinf(only) | (only <= 7.0 + bank + 0.9 + 1e-3)).all()


def test_a_crossing_goes_far_enough_to_meet_the_beam_from_either_side():
    """Straight across, the largest is on the line itself, whatever the half width."""
    field = coarse_field(lambda z: np.full(z.shape, 1 / 3.0), 0.02)
    body = Target("body", 0.9, 0.5)
    on_line = field.modulation(body)
    for half in (0.0, 0.3, 2.0):
        assert field.peak_modulation(body, half) == pytest.approx(on_line)
        floor = field.detection_floor(0.5, 0.05, half_width_m=half)
        lateral = field.lateral([0.0], 0.5)[:, 0]
        wanted = 0.05 / lateral * 3.0
        known = wanted < 2.9
        assert known.any() and floor[known] == pytest.approx(wanted[known], abs=1e-3)
        assert np.isinf(floor[wanted > 3.1]).all()
    aside = field.modulation(body, offset_m=0.7)
    assert aside == pytest.approx(0.3 * field.lateral([0.7], 0.5)[:, 0], abs=1e-6)


def test_a_person_is_half_a_metre_wide_and_the_same_however_they_go():
    """The manual's words: sizes are common practice; jumps clear 0.5 and 0.9 m, on a bridge somebody crawls."""
    sizes = {name: (one.height_m, one.width_m, one.base_m) for name, one in TARGETS.items()}
    assert sizes["walk"] == sizes["run"] == (1.70, 0.50, 0.0)
    # lying across the beam one is as long as tall
    assert sizes["prone side-on"] == (sizes["prone"][0], sizes["walk"][0], 0.0)
    assert {name for name, size in sizes.items() if size[1] != 0.50} == {"prone side-on", "sphere"}
    assert sizes["sphere"][0] == sizes["sphere"][1] == sizes["prone"][0] == 0.30
    # legs drawn up one is the same whether from standing or with a run-up
    assert sizes["standing jump"] == (1.0, 0.50, 0.5) and sizes["run-up jump"] == (1.0, 0.50, 0.9)
    assert {(one.height_m, one.width_m, one.base_m) for one in OVER_FENCE.values()} == {(0.50, 0.50, 0.0)}
    assert TARGETS["run-up jump"].top_m == pytest.approx(1.9)
    over = OVER_FENCE["bridge"].raised(2.4)
    assert (over.base_m, over.top_m, over.width_m) == (2.4, pytest.approx(2.9), 0.50)
    for field, value in (("height_m", 0.0), ("width_m", -1.0), ("base_m", -0.1), ("height_m", np.nan)):
        with pytest.raises(NumericInputError):
            Target("body", **{"height_m": 1.0, "width_m": 0.5, "base_m": 0.0, field: value})


def test_movers_are_of_the_kind_and_at_the_place_that_their_names_say():
    kinds = {name: (one.kind, one.place) for name, one in MOVERS.items()}
    assert kinds.pop("fence fabric") == ("fabric", "fence")
    assert {name for name, (kind, _) in kinds.items() if kind == "surface"} == {
        "grass in wind",
        "rain on standing water",
    }
    assert {name for name, (_, place) in kinds.items() if place == "mapped"} == {"car", "lorry", "cyclist", "branch"}
    # a branch and a bird are off the ground, nothing else is; only what has a length has a flank
    assert {name for name, one in MOVERS.items() if one.base_m > 0} == {"bird", "branch"}
    long = {name for name, one in MOVERS.items() if one.length_m > 0}
    assert long == {"car", "lorry", "cyclist", "grass in wind", "rain on standing water", "fence fabric"}
    person, cyclist, car, lorry = (MOVERS[name] for name in ("person outside", "cyclist", "car", "lorry"))
    # from memory: a usual bicycle is 1.7 to 1.9 m long, and nothing of it wider than its handlebar of 0.6 to 0.8 m
    assert 1.7 <= cyclist.length_m <= 1.9 and 0.6 <= cyclist.width_m <= 0.8 and cyclist.height_m == person.height_m
    assert person.length_m < cyclist.length_m < car.length_m < lorry.length_m
    assert {name for name, one in MOVERS.items() if one.reflects < 1.0} == {"cyclist", "fence fabric"}
    # panels of mesh: thin, no higher than a fence is, and held between posts
    fabric = MOVERS["fence fabric"]
    assert fabric.width_m <= 0.1 and 1.8 <= fabric.height_m <= 2.5 and 2.0 <= fabric.length_m <= 3.5
    assert 0.0 < fabric.sway_m <= 0.1 and {one.sway_m for name, one in MOVERS.items() if name != "fence fabric"} == {
        0.0
    }


def test_a_null_is_ten_decibels_and_is_left_three_above():
    """The manual of `layout`: a pair of heads is in a null below -10 dB against free space; and 3 dB clear of it."""
    assert (NULL_DB, CLEAR_DB) == (-10.0, -7.0) and SIGNAL_FLOOR == 0.3


def test_heads_that_may_point_aside_reach_farther_to_that_side_though_nobody_is_larger():
    x = np.arange(0.0, 40.25, 0.5)
    field = solve_beam(HEAD, x, np.zeros(x.size), 0.9, 0.9)
    offsets = np.linspace(-3.0, 3.0, 13)
    around = MoverGround(offsets, np.zeros((x.size, 13)))
    movers = (MOVERS["person outside"], Mover("post", "body", 2.0, 0.1))
    same = NuisanceRequest(around, movers)(field)
    assert np.array_equal(same.high, same.modulation)
    aimed = NuisanceRequest(around, movers, aim_deg=1.5)(field)
    assert np.array_equal(aimed.modulation, same.modulation)
    for number, mover in enumerate(movers):
        either = [mover_response(field, mover, around, pan_deg=(pan, pan)) for pan in (-1.5, 1.5)]
        assert aimed.high[number] == pytest.approx(np.max([same.modulation[number], *either], axis=0))
        # far to the side more, and alike on both: the beam is
        assert (aimed.high[number, 20:60, [0, -1]] > same.modulation[number, 20:60, [0, -1]]).all()
        assert aimed.high[number] == pytest.approx(aimed.high[number][:, ::-1], abs=1e-6)
    larger = NuisanceRequest(around, movers, larger=0.2)(field)
    assert larger.high[0] == pytest.approx(
        np.maximum(same.modulation[0], mover_response(field, movers[0].larger(0.2), around))
    )


def test_a_strip_with_holes_names_the_first_of_them_by_its_own_chainage_and_offset():
    x, y = np.array([0.0, 2.5, 5.0, 7.5]), np.array([-1.0, 0.0, 1.0])
    ground = np.zeros((4, 3))
    ground[1, 2] = ground[3, 0] = np.nan
    with pytest.raises(NumericInputError) as refused:
        Strip(x, y, ground)
    assert "2.5" in refused.value.where and "1.0" in refused.value.where and "7.5" not in refused.value.where
    assert refused.value.found.startswith("2 of 12")


def test_grass_hides_what_it_covers_and_whoever_lies_in_it_whole():
    prone = TARGETS["prone"]
    half = in_grass(prone, 0.1)
    assert (half.base_m, half.height_m, half.width_m) == (0.1, pytest.approx(0.2), prone.width_m)
    assert in_grass(prone, 0.30) is None and in_grass(prone, 0.2895) is None and in_grass(prone, 0.288) is not None
    jump = TARGETS["standing jump"]
    assert in_grass(jump, 0.3).base_m == 0.5 and in_grass(jump, 0.3).height_m == 1.0


def test_nothing_but_the_modulation_is_computed_unless_it_is_asked_for():
    x, y = np.linspace(0.0, 20.0, 21), np.linspace(-1.0, 1.0, 5)
    strip = Strip(x, y, np.zeros((21, 5)))
    field = solve_beam(HEAD, x, np.zeros(21), 0.9, 0.9)
    case = Case(None, strip)
    assert (case.floor, case.level, case.coarse_m, case.aim_deg, case.targets, case.grass_m) == (
        False, False, None, None, None, None,
    )  # fmt: skip
    who = ((TARGETS["prone"], 0.0), (TARGETS["walk"], 0.1))
    plain = ResponseRequest(strip, who)(field)
    assert plain.floor is None and plain.level is None and plain.modulation.shape == (2, 21, 5)
    whole = ResponseRequest(strip, who, (0.5, 0.2), True)(field)
    assert whole.level.shape == (2, 21, 5) and whole.floor.shape == (21, 5)
    assert (whole.standing_level_db, whole.quiet_level) == (field.standing_level_db, field.quiet_level)


@pytest.mark.parametrize(("spacing", "cell", "parts"), [(0.5, 0.5, 1), (0.5, 2.0, 1), (0.5, 0.49, 2), (2.0, 0.25, 8)])
def test_an_axis_is_as_fine_as_the_survey_and_never_coarser_than_its_nodes(spacing, cell, parts):
    nodes = 3.0 + spacing * np.arange(7)
    assert fine_axis(nodes, cell) == pytest.approx(3.0 + spacing / parts * np.arange(6 * parts + 1))


def test_an_edge_on_the_line_of_sight_costs_six_decibels():
    """ITU-R P.526-15, clause 4.1: half of the field passes an edge at nu = 0; one far below takes nothing."""
    assert knife_edge_loss_db(knife_edge_nu(0.03, 0.0, 30.0, 30.0)) == pytest.approx(6.02, abs=0.03)
    assert knife_edge_loss_db(knife_edge_nu(0.03, -3.0, 30.0, 30.0)) == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("start", [0.0, 7.0, -30.0])
def test_a_ditch_is_closed_at_the_steepest_slope_wherever_chainage_begins(start):
    """A notch 1 m deep and as good as upright, in ground that rises by 1 in 20: 0.5 in 1 to either side of it."""
    x = np.linspace(0.0, 20.0, 201)
    ground = 3.0 + 0.05 * x - np.where(np.abs(x - 10.0) < 0.55, 1.0, 0.0)
    found = capped_ground(x + start, ground, 0.5)
    wanted = 3.0 + 0.05 * x - np.clip(0.5 * (0.6 - np.abs(x - 10.0)), 0.0, 1.0)
    assert found == pytest.approx(wanted, abs=1e-9)


def test_ground_that_rises_evenly_is_straight_and_a_dip_in_it_is_as_deep_as_it_is():
    x, y = np.linspace(0.0, 40.0, 41), np.linspace(-1.0, 1.0, 5)
    even = 100.0 + 0.05 * x[:, None] + 0.0 * y
    assert straightness(Strip(x, y, even)) == pytest.approx(np.zeros((41, 5)), abs=1e-9)
    dug = even - np.where(np.abs(x[:, None] - 10.0) < 3.0, 0.3, 0.0) + np.where(x[:, None] == 30.0, 0.2, 0.0)
    found = straightness(Strip(x, y, dug))
    wanted = np.where(np.abs(x - 10.0) < 3.0, 0.3, np.where(x == 30.0, -0.2, 0.0))
    assert found == pytest.approx(np.repeat(wanted[:, None], 5, axis=1), abs=1e-9)


@pytest.mark.parametrize("step", [0.25, 0.5, 2.0])
def test_a_cross_slope_that_grows_along_the_beam_is_found_as_large_as_it_is_there(step):
    """From level at the transmitter to 1 in 5 at the receiver; smoothing over 4 m leaves a straight line alone."""
    x, y = np.linspace(0.0, 80.0, round(80 / step) + 1), np.linspace(-2.0, 2.0, 17)
    grade = 0.2 * x / 80.0
    found = cross_slope(x, y, 50.0 + grade[:, None] * y)
    inner = (x > 14.0) & (x < 66.0)
    assert found[inner] == pytest.approx(np.arctan(grade)[inner], abs=2e-4)
    # at the ends what lies beyond is as at the end: half a standard deviation of the way off at most
    assert np.abs(found - np.arctan(grade)).max() < 0.2 / 80.0 * 4.0
    assert (np.diff(found) > -1e-12).all()


@pytest.mark.parametrize(("at", "found"), [(0.40, True), (-0.40, True), (0.42, False), (0.02, True), (-0.44, False)])
def test_a_way_out_of_a_null_is_looked_for_as_far_as_the_reach_and_no_farther(monkeypatch, at, found):
    """Clear at one height alone; 40 cm up or down in steps of 2 cm, and no head below 15 cm."""
    x = np.linspace(0.0, 60.0, 121)

    def solve(beams):
        shifts = [beam.tx_height_m - 0.9 for beam in beams]
        return [SimpleNamespace(standing_level_db=-6.9 if abs(s - at) < 1e-6 else -7.1) for s in shifts]

    monkeypatch.setattr(standing, "solve_beams", solve)
    (escape,) = standing.leave_null([Beam(HEAD, x, 0 * x, 0.9, 1.0)])
    assert (escape is not None) == found
    if escape is not None:
        assert (escape.tx_height_m, escape.rx_height_m) == pytest.approx((0.9 + at, 1.0 + at))
    # the lower head may come down to 0.15 m, not to 0.14
    low = standing.leave_null([Beam(HEAD, x, 0 * x, 0.9, rx) for rx in (0.55, 0.54)])
    if at == -0.40:
        assert [one is not None for one in low] == [True, False]
