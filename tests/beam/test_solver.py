"""What the solver must keep whatever the ground: overlap, reciprocity, grid, precision; and how it refuses."""

import subprocess
import sys

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, Beam, HeadType, Target, solve_beam, solve_beams
from geotools.beam.profile import STEEPEST_GROUND, capped_ground
from geotools.errors import NumericInputError

X = np.linspace(0.0, 100.0, 201)


def waves(x):
    return sum(0.025 * np.sin(2 * np.pi * x / wave + i) for i, wave in enumerate(np.geomspace(8, 60, 8)))


def rough(x):
    return np.interp(x, np.arange(201.0), np.random.default_rng(5).normal(0, 0.014, 201))


GROUNDS = {
    "flat": lambda x: 0.0 * x,
    "waves": waves,
    "rough": rough,
    "slope": lambda x: 0.04 * x,
    "dip": lambda x: -0.4 * np.exp(-(((x - 40) / 3) ** 2)),
    "ditch": lambda x: -np.clip(1.0 - np.abs(x - 40) / 1.5, 0, 0.6),
    "crest": lambda x: 0.6 * np.exp(-(((x - 60) / 8) ** 2)),
    "grazed crest": lambda x: 0.9 * np.exp(-(((x - 50) / 12) ** 2)),
    "valley": lambda x: -1.5 * np.exp(-(((x - 60) / 15) ** 2)),
}
HEADS = [("10 GHz", 0.91), ("10 GHz", 0.30), ("24 GHz", 0.30), ("24 GHz", 0.91), ("10 GHz", 2.44)]


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize(("name", "height"), HEADS)
def test_overlap_is_the_same_at_every_cut(ground, name, height):
    field = solve_beam(HEAD_TYPES[name], X, GROUNDS[ground](X), height, height)
    size = np.abs(field.overlap)
    assert np.ptp(size) < 1e-3 * size.mean()
    # and by the fourth-order sum the targets are read from, up to the held top
    whole = np.abs(field.share_below(np.full((X.size, 1), 99.0)))[:, 0]
    level = 10 ** (field.standing_level_db / 20)
    assert np.abs(whole - min(1.0, level / 0.3)).max() < 0.03


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize(("name", "height"), HEADS)
def test_halving_both_steps_moves_no_modulation_by_two_hundredths(ground, name, height):
    g = GROUNDS[ground]
    fine_x = np.linspace(0.0, 100.0, 401)
    field = solve_beam(HEAD_TYPES[name], X, g(X), height, height)
    fine = solve_beam(HEAD_TYPES[name], fine_x, g(fine_x), height, height, step_m=0.25, dz_m=field.dz_m / 2)
    for target in TARGETS.values():
        # a body whose feet hang half a metre up over a crest that the beam grazes ends where the field changes fastest
        hangs_there = ground == "grazed crest" and target.base_m > 0.0
        assert np.abs(field.modulation(target) - fine.modulation(target)[::2]).max() < (0.025 if hangs_there else 0.02)


@pytest.mark.parametrize("ground", GROUNDS)
def test_swapping_the_heads_changes_nothing(ground):
    h = GROUNDS[ground](X)
    field = solve_beam(HEAD_TYPES["10 GHz"], X, h, 0.91, 1.4)
    back = solve_beam(HEAD_TYPES["10 GHz"], X, h[::-1], 1.4, 0.91)
    assert back.standing_level_db == pytest.approx(field.standing_level_db, abs=1e-6)
    for target in TARGETS.values():
        assert np.abs(field.modulation(target) - back.modulation(target)[::-1]).max() < 1e-6


def test_single_precision_many_at_once_is_the_plain_solver():
    beams = [
        Beam(HEAD_TYPES[name], x, GROUNDS[ground](x), height, height)
        for ground in GROUNDS
        for (name, height), x in zip(HEADS, (X, X[:121], X, X[:61], np.linspace(0, 83.3, 140)), strict=True)
    ]
    for beam, field in zip(beams, solve_beams(beams), strict=True):
        plain = solve_beam(beam.head_type, beam.chainage_m, beam.ground_m, beam.tx_height_m, beam.rx_height_m)
        assert field.chainage_m.size == np.size(beam.chainage_m)
        for target in TARGETS.values():
            assert np.abs(field.modulation(target) - plain.modulation(target)).max() < 1e-3


def test_a_uniform_grade_changes_nothing_but_the_elevation():
    level = solve_beam(HEAD_TYPES["24 GHz"], X, waves(X), 0.3, 0.3)
    graded = solve_beam(HEAD_TYPES["24 GHz"], X, waves(X) + 0.05 * X + 200.0, 0.3, 0.3)
    assert graded.standing_level_db == pytest.approx(level.standing_level_db, abs=0.02)
    assert np.abs(graded.modulation(TARGETS["prone"]) - level.modulation(TARGETS["prone"])).max() < 0.005


def test_results_come_back_at_the_chainages_asked_for():
    uneven = np.sort(np.concatenate([[0.0, 100.0], np.random.default_rng(2).uniform(0.5, 99.5, 60)]))
    ground = lambda x: -0.3 * np.exp(-(((x - 40) / 8) ** 2))  # noqa: E731
    dense = solve_beam(HEAD_TYPES["10 GHz"], X, ground(X), 0.91, 0.91)
    field = solve_beam(HEAD_TYPES["10 GHz"], uneven, ground(uneven), 0.91, 0.91)
    assert field.modulation(TARGETS["crawl"]).shape == field.overlap.shape == uneven.shape
    expected = np.interp(uneven, X, dense.modulation(TARGETS["crawl"]))
    assert np.abs(field.modulation(TARGETS["crawl"]) - expected).max() < 0.05


def test_a_two_point_profile_is_a_straight_ground():
    field = solve_beam(HEAD_TYPES["10 GHz"], [0.0, 100.0], [10.0, 11.0], 0.91, 0.91)
    dense = solve_beam(HEAD_TYPES["10 GHz"], X, 10.0 + X / 100.0, 0.91, 0.91)
    assert field.standing_level_db == pytest.approx(dense.standing_level_db, abs=1e-6)
    assert field.modulation(TARGETS["walk"]) == pytest.approx(dense.modulation(TARGETS["walk"])[[0, -1]], abs=1e-6)


def test_ground_above_the_beam_all_the_way_sees_nothing():
    ground = np.where((X > 1.0) & (X < 99.0), 4.0, 0.0)
    field = solve_beam(HEAD_TYPES["10 GHz"], X, ground, 0.91, 0.91)
    assert field.standing_level_db < -30.0
    assert np.isinf(field.detection_floor(0.5, 0.2, half_width_m=2.0)[100])


def test_pointing_error_lowers_the_standing_level():
    def level(**error):
        return solve_beams([Beam(HEAD_TYPES["24 GHz"], X, 0 * X, 8.0, 8.0, **error)])[0].standing_level_db

    half = HEAD_TYPES["24 GHz"].beamwidth_az_deg / 2.0
    for error in ({"tx_pan_deg": half}, {"rx_pan_deg": -half}, {"tx_tilt_deg": half}):
        # half the beamwidth off: half the power
        assert level(**error) - level() == pytest.approx(-3.0, abs=0.2)
    field = solve_beams([Beam(HEAD_TYPES["24 GHz"], X, 0 * X, 0.91, 0.91, tx_pan_deg=1.5, rx_pan_deg=-1.5)])[0]
    left, right = (field.modulation(TARGETS["walk"], offset_m=side)[20] for side in (0.4, -0.4))
    assert left > right


def test_a_steep_ditch_is_closed_for_the_field_and_dark_below():
    h = np.where(np.abs(X - 50) < 1.0, -2.0, 0.0)
    closed = capped_ground(X, h)
    assert (closed >= h).all()
    assert np.abs(np.diff(closed)).max() / 0.5 <= STEEPEST_GROUND + 1e-9
    assert closed[100] == pytest.approx(-STEEPEST_GROUND * 1.0, abs=1e-9)
    field = solve_beam(HEAD_TYPES["10 GHz"], X, h, 0.91, 0.91)
    assert field.modulation(Target("low", 1.2, 0.5))[100] < 0.01


@pytest.mark.parametrize(
    ("x", "h", "heights", "word"),
    [
        ([0.0], [0.0], (0.9, 0.9), "two points"),
        ([0.0, 50.0, 50.0, 100.0], [0.0] * 4, (0.9, 0.9), "increase"),
        ([0.0, 50.0, 100.0], [0.0, np.nan, 0.0], (0.9, 0.9), "not numbers"),
        ([0.0, 50.0, 100.0], [0.0, 0.0], (0.9, 0.9), "same length"),
        ([0.0, 1.0, 2.0], [0.0] * 3, (0.9, 0.9), "too short"),
        ([0.0, 50.0, 100.0], [0.0] * 3, (-0.2, 0.9), "transmitter"),
        ([0.0, 50.0, 100.0], [0.0] * 3, (0.9, float("nan")), "receiver"),
    ],
)
def test_bad_profiles_are_refused_with_a_reason(x, h, heights, word):
    with pytest.raises(NumericInputError, match=word):
        solve_beam(HEAD_TYPES["10 GHz"], x, h, *heights)


def test_an_error_names_the_beam():
    beam = Beam(HEAD_TYPES["10 GHz"], X, 0 * X, -0.3, 0.9, name="F01-Z003-main")
    with pytest.raises(NumericInputError) as caught:
        solve_beams([beam])
    assert caught.value.where == "beam F01-Z003-main"
    assert caught.value.found == "-0.3 m"


def test_bad_heads_targets_and_questions_are_refused():
    with pytest.raises(NumericInputError, match="frequency_hz"):
        HeadType("in gigahertz", 24.0, 4.0, 4.0, 100.0)
    with pytest.raises(NumericInputError, match="height_m"):
        Target("flat", 0.0, 0.5)
    field = solve_beam(HEAD_TYPES["10 GHz"], X, 0 * X, 0.91, 0.91)
    with pytest.raises(NumericInputError, match="positive"):
        field.detection_floor(0.5, 0.0, half_width_m=1.0)
    with pytest.raises(NumericInputError, match="does not fit"):
        field.modulation(TARGETS["walk"], target_ground_m=np.zeros(3))
    with pytest.raises(NumericInputError, match="ground has values"):
        field.modulation(TARGETS["prone"], target_ground_m=np.where(X == 50, np.nan, 0.0))
    with pytest.raises(NumericInputError, match="offset"):
        field.modulation(TARGETS["prone"], offset_m=np.zeros(X.size))
    with pytest.raises(NumericInputError, match="not made of numbers"):
        solve_beam(HEAD_TYPES["10 GHz"], X, 0 * X, "high", 0.91)
    with pytest.raises(NumericInputError, match="not made of numbers"):
        solve_beam(HEAD_TYPES["10 GHz"], X, 0 * X, [0.91, 0.91], 0.91)
    with pytest.raises(NumericInputError, match="step_m"):
        solve_beam(HEAD_TYPES["10 GHz"], X, 0 * X, 0.91, 0.91, step_m=0.0)


def test_the_numerics_import_without_the_rest():
    code = (
        "import sys, geotools.beam\n"
        "heavy = {'geopandas', 'rasterio', 'shapely', 'click', 'matplotlib', 'pandas', 'fiona', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
