"""How certain the answer is: survey statistics, probabilities, sensitivity, nulls."""

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, Beam, solve_beam
from geotools.beam.standing import CLEAR_DB, NULL_DB, leave_null
from geotools.corridor import BeamLine
from geotools.detection.accuracy import Accuracy, correlation_length, error_field, estimate, read_check_points
from geotools.detection.cases import Rules, strip_nodes
from geotools.detection.certainty import certainty_of, judge_zone
from geotools.detection.perimeter import Perimeter
from geotools.detection.sensitivity import CHANGES, sensitivity
from geotools.detection.spots import runs
from geotools.detection.unknowns import Drawing, Unknowns
from geotools.detection.verdicts import ZoneVerdicts
from geotools.errors import InputError
from geotools.plan.model import BeamPair, Zone
from tests.invented_ground import Formula

PRONE = TARGETS["prone"]
LINE = BeamLine(0, 0, 90, 0)


def one_zone(depth, half=5.0, centre=40.0):
    """A zone over a dip, solved, and rows of the dead spots that are not the heads' own."""
    dip = Formula(lambda x, y: -depth * np.exp(-(((x - centre) / half) ** 2)))
    pairs = (BeamPair("low", HEAD_TYPES["24 GHz"], 0.30, 0.30), BeamPair("main", HEAD_TYPES["10 GHz"], 0.91, 0.91))
    perimeter = Perimeter([Zone("Z1", LINE, pairs)], dip, Rules(0.2, 2.0, 0.5, {"prone": PRONE}))
    found = runs(perimeter.dead("Z1")["prone"])
    return perimeter, tuple(r for r in found if 15 < perimeter.grids["Z1"].chainage_m[r[0]] < 75)


# ---- the survey


def test_error_fields_have_the_spread_and_the_reach_that_are_asked_for():
    x, y = strip_nodes(LINE, 2.0, 0.5)
    errors = error_field(x, y, Accuracy(0.03, correlation_m=6.0), np.random.default_rng(3), 1000)
    assert errors.std() == pytest.approx(0.03, rel=0.02)
    at = 90
    for apart, expected in ((0, 1.0), (6, np.exp(-0.25)), (12, np.exp(-1.0)), (36, np.exp(-9.0))):
        found = np.corrcoef(errors[:, at, 8], errors[:, at + apart, 8])[0, 1]
        assert found == pytest.approx(expected, abs=0.06)
    assert np.corrcoef(errors[:, at, 0], errors[:, at, 16])[0, 1] == pytest.approx(np.exp(-((4 / 6) ** 2)), abs=0.06)


def test_check_points_give_back_bias_spread_and_reach():
    rng = np.random.default_rng(11)
    grid = np.arange(0.0, 120.0, 3.0)
    errors = error_field(grid, grid, Accuracy(0.04, correlation_m=10.0), rng, 1)[0] + 0.02
    gx, gy = np.meshgrid(grid, grid, indexing="ij")
    points = np.column_stack([gx.ravel(), gy.ravel(), np.zeros(gx.size)])
    found = estimate(points, errors.ravel(), 99.0)
    assert found.bias_m == pytest.approx(0.02, abs=0.01)
    assert found.sigma_m == pytest.approx(0.04, rel=0.2)
    assert found.rmse_m == pytest.approx(np.hypot(found.bias_m, found.sigma_m), rel=0.01)
    assert found.correlation_m == pytest.approx(10.0, rel=0.35)
    assert correlation_length(points[:10, :2], errors.ravel()[:10]) is None


def test_check_points_come_as_they_stand_whatever_the_order_of_columns(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("Z,name,X,y\n30.5,a,1,20\n31.5,b,2,21\n32.5,c,3,22\n", encoding="utf-8-sig")
    assert read_check_points(path).tolist() == [[1.0, 20.0, 30.5], [2.0, 21.0, 31.5], [3.0, 22.0, 32.5]]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("a,b\n1,2\n", "lack a column"),
        ("x,y,z\n1,2,three\n1,2,3\n1,2,3\n", "not a number"),
        ("x,y,z\n1,2,3\n", "too few"),
        ("x,y,z\n1,2\n1,2,3\n1,2,3\n", "not a number"),
    ],
)
def test_bad_check_points_are_refused(tmp_path, text, word):
    path = tmp_path / "points.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=word):
        read_check_points(path)


def test_check_points_outside_the_model_are_refused():
    with pytest.raises(InputError, match="outside the terrain"):
        estimate(np.zeros((5, 3)), np.full(5, np.nan), 8.0)


# ---- certainty


def judged(depth, sigma):
    perimeter, spots = one_zone(depth)
    unknowns = Unknowns(Accuracy(sigma, correlation_m=8.0), head_m=0.0, body=0.0, aim_deg=0.0, draws=32)
    worlds, errors = Drawing(perimeter, "Z1", unknowns).worlds(range(unknowns.draws))
    judged_in = ZoneVerdicts({}, worlds, [perimeter.dead("Z1", own) for own in worlds], False, errors)
    return judge_zone(perimeter, "Z1", {"prone": spots}, unknowns, judged_in), spots


def test_a_deep_dip_is_certain_and_a_shallow_one_hangs_on_the_survey():
    deep, _ = judged(0.40, 0.02)
    assert deep.probability["prone"] == [1.0]
    assert not [p for p in deep.resurvey if p.spot is not None]
    shallow, spots = judged(0.11, 0.04)
    assert spots
    (chance,) = shallow.probability["prone"]
    assert 0.05 < chance < 0.95
    points = [p for p in shallow.resurvey if p.spot == 0]
    assert points
    # the level that matters most lies in the dip or before it, not at the far end of the zone
    assert 5 < max(points, key=lambda p: p.explains).chainage_m < 75
    again, _ = judged(0.11, 0.04)
    assert again.probability == shallow.probability and again.resurvey == shallow.resurvey


def test_a_place_not_found_dead_but_possibly_so_is_told():
    sound, spots = judged(0.06, 0.05)
    assert spots == ()
    assert sound.possible["prone"]
    assert any(p.spot is None for p in sound.resurvey)


def test_classes():
    assert [certainty_of(p) for p in (1.0, 0.95, 0.94, 0.5, 0.49, 0.0)] == [
        "certain",
        "certain",
        "likely",
        "likely",
        "cannot_tell",
        "cannot_tell",
    ]


# ---- settings a little off


def test_sensitivity_moves_the_way_it_must():
    perimeter, _ = one_zone(0.25)
    moved = sensitivity(perimeter, ["Z1"])
    dead = {m.change: m.dead_m for m in moved}
    assert set(dead) == set(CHANGES)
    assert dead["threshold up"] > dead["as set"] > dead["threshold down"] > 0
    assert dead["grass"] >= dead["as set"] - 1.0
    assert dead["heads up"] > dead["heads down"]


# ---- nulls


def test_the_way_out_of_a_null_is_out_of_it_and_nearest():
    # two-ray null over flat ground: path difference of one wavelength, h = sqrt(lambda d / 2)
    head, x = HEAD_TYPES["10 GHz"], np.linspace(0, 100, 201)
    null = float(np.sqrt(head.wavelength_m * 100.0 / 2.0))
    beam = Beam(head, x, 0 * x, null, null)
    assert solve_beam(head, x, 0 * x, null, null).standing_level_db < NULL_DB
    (found,) = leave_null([beam])
    assert found is not None
    assert solve_beam(head, x, 0 * x, found.tx_height_m, found.rx_height_m).standing_level_db >= CLEAR_DB
    shift = abs(found.tx_height_m - null)
    for nearer in np.arange(0.02, shift - 0.01, 0.02):
        for sign in (-1, 1):
            level = solve_beam(head, x, 0 * x, null + sign * nearer, null + sign * nearer).standing_level_db
            assert level < CLEAR_DB + 1e-3


def test_no_way_out_is_said():
    head, x = HEAD_TYPES["10 GHz"], np.linspace(0, 100, 201)
    wall = np.where((x > 40) & (x < 60), 3.0, 0.0)
    assert leave_null([Beam(head, x, wall, 0.5, 0.5)], reach_m=0.1) == [None]
