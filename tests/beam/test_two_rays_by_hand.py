"""The two-ray screen against geometry worked out by hand. No beam is solved.

Red when the line under the posts is fitted otherwise, a pattern's loss is taken at another angle, the mirrored way is
another, or a settlement is not looked at.
"""

import math

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, HeadType
from geotools.beam.standing import TwoRayPath

HEAD = HEAD_TYPES["10 GHz"]
WAVE = 299792458.0 / 10.525e9
X = np.linspace(0.0, 60.0, 601)


def test_straight_ground_is_its_own_line_and_a_raised_post_does_not_move_it():
    ground = 200.0 + 0.02 * X
    ground[0] += 0.3
    ground[-1] -= 0.1
    # chainage need not begin at zero
    path = TwoRayPath.over(HEAD, X + 7.0, ground)
    assert path.length_m == pytest.approx(60.0)
    assert (path.tx_foot_m, path.rx_foot_m) == pytest.approx((0.3, -0.1), abs=1e-6)


def test_ground_between_the_posts_counts_by_its_distance_from_both():
    """Weight x (L - x) and ground c x (L - x): the line lies at c L^2 / 5; with c x^2 it rises by c L, as far below."""
    c = 1e-4
    level = c * 60.0**2 / 5
    bowl = TwoRayPath.over(HEAD, X, c * X * (60.0 - X))
    assert (bowl.tx_foot_m, bowl.rx_foot_m) == pytest.approx((-level, -level), abs=1e-5)
    # x^2 = L x - x (L - x)
    bent = TwoRayPath.over(HEAD, X, c * X**2)
    assert (bent.tx_foot_m, bent.rx_foot_m) == pytest.approx((level, level), abs=1e-5)


def by_hand(head, length, tx, rx):
    """Ray and mirrored ray between points, off each head's axis by the angle between two vectors."""
    axis, mirrored = np.array([length, rx - tx]), np.array([length, -rx - tx])
    image_back, back = np.array([-length, -tx - rx]), np.array([-length, tx - rx])

    def between(a, b):
        return math.degrees(abs(math.atan2(a[0] * b[1] - a[1] * b[0], a @ b)))

    off = between(axis, mirrored), between(back, image_back)
    # Gaussian: half power at half the beamwidth, for either head
    lost = sum(min(10 * math.log10(2) * (2 * one / head.beamwidth_el_deg) ** 2, 60.0) for one in off)
    further = math.hypot(length, tx + rx) - math.hypot(length, tx - rx)
    return 20 * math.log10(abs(1 - 10 ** (-lost / 20) * np.exp(2j * math.pi * further / head.wavelength_m)))


@pytest.mark.parametrize("length", [20.0, 60.0])
@pytest.mark.parametrize(("tx", "rx"), [(0.3, 0.3), (0.9, 1.2), (1.4, 0.4), (2.5, 0.3)])
def test_the_level_is_that_of_the_ray_and_its_mirror_image(length, tx, rx):
    found = TwoRayPath(HEAD, length, 0.1, -0.2).level_db(tx - 0.1, rx + 0.2)
    assert found == pytest.approx(by_hand(HEAD, length, tx, rx), abs=1e-6)


def test_azimuth_and_elevation_beamwidth_are_not_confused():
    narrow = HeadType("narrow", 10.525e9, 30.0, 4.0, 150.0)
    assert TwoRayPath(narrow, 30.0).level_db(1.0, 0.8) == pytest.approx(by_hand(narrow, 30.0, 1.0, 0.8), abs=1e-6)


def test_a_head_below_the_line_stands_on_it_and_two_such_heads_have_no_signal():
    path = TwoRayPath(HEAD, 60.0, tx_foot_m=-0.5, rx_foot_m=-0.2)
    assert path.level_db([0.4, 0.5], 1.2) == pytest.approx([by_hand(HEAD, 60.0, 0.0, 1.0)] * 2)
    assert path.level_db(1.5, [0.1, 0.2]) == pytest.approx([by_hand(HEAD, 60.0, 1.0, 0.0)] * 2)
    # the limit of what is written: a millionth of the field
    assert path.level_db(0.5, 0.2) == pytest.approx(-120.0)
    # far above the ground the mirrored ray lies outside both patterns
    assert TwoRayPath(HEAD, 20.0).level_db(8.0, 8.0) == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("feet", [(0.0, 0.0), (0.1, -0.05)])
def test_interference_begins_where_the_mirrored_way_is_half_a_wavelength_longer(feet):
    """Equal heights: sqrt(L^2 + 4 h^2) - L = wavelength / 2 at h = sqrt(wavelength L + wavelength^2 / 4) / 2."""
    for length in (30.0, 90.0):
        height = math.sqrt(WAVE * length + WAVE**2 / 4) / 2
        path = TwoRayPath(HEAD, length, *feet)
        for more, wanted in ((-1e-4, False), (1e-4, True)):
            tx, rx = height + more - feet[0], height + more - feet[1]
            assert bool(path.interferes(tx, rx)) is wanted
    # unlike heights: (tx + rx)^2 and (tx - rx)^2 count, not one of them alone
    tx = 0.3
    need = WAVE / 2
    rx = next(r for r in np.arange(0.3, 4.0, 1e-4) if math.hypot(30.0, tx + r) - math.hypot(30.0, tx - r) >= need)
    assert bool(TwoRayPath(HEAD, 30.0).interferes(tx, rx + 1e-3)) and not TwoRayPath(HEAD, 30.0).interferes(
        tx, rx - 1e-3
    )


def test_the_worst_settlement_is_found_at_its_move_and_each_length_by_itself():
    """A null lies where the mirrored way is a whole wavelength longer: heights there by the closed form, L = 40 m."""
    null = math.sqrt(2 * WAVE * 40.0 + WAVE**2) / 2
    path = TwoRayPath(HEAD, np.array([40.0, 150.0]))
    heights = np.array([null - 0.02, 0.5])
    level, move = path.settled(heights, heights, 0.03)
    assert move == pytest.approx([0.02, -0.03], abs=0.0026)
    assert level[1] == pytest.approx(by_hand(HEAD, 150.0, 0.47, 0.47), abs=1e-6)
    tried = [by_hand(HEAD, 40.0, null - 0.02 + m, null - 0.02 + m) for m in np.linspace(-0.03, 0.03, 13)]
    assert level[0] == pytest.approx(min(tried), abs=1e-6)
    # up as well as down, to the whole of the settlement
    down, at = TwoRayPath(HEAD, 40.0).settled(null + 0.012, null + 0.012, 0.012)
    assert at == pytest.approx(-0.012) and down == pytest.approx(by_hand(HEAD, 40.0, null, null), abs=1e-6)


@pytest.mark.parametrize("settle", [0.0, 0.004, 0.03, 0.2])
def test_moves_of_both_heads_reach_as_far_as_they_may_settle_and_lie_close_together(settle):
    """Path difference of ray and image, 2 h1 h2 / d, for heads of one height: 4 h / d for each metre of both."""
    path = TwoRayPath(HEAD, 60.0)
    moves = path.moves_m(0.9, 0.9, settle)
    assert moves[0] == -settle and moves[-1] == settle and len(moves) % 2 == 1 and moves[len(moves) // 2] == 0.0
    closest = 0.05 * WAVE / (4 * 0.9 / 60.0)
    steps = np.diff(moves)
    assert steps == pytest.approx(np.full(len(moves) - 1, settle / (len(moves) // 2)))
    assert (steps <= closest + 1e-12).all()
    # no more than it takes
    assert len(moves) == 3 or settle / (len(moves) // 2 - 1) > closest


def test_heads_on_the_ground_are_moved_as_finely_as_those_a_hand_above_it():
    """Heads whose heights come to 0.1 m or less together: 0.05 of 0.0285 m times 60 m over 0.2 m, 0.43 m a step."""
    path = TwoRayPath(HEAD, 60.0)
    for heights in ((0.05, 0.05), (0.0, 0.0), (0.0, 0.06), (0.03, 0.02)):
        assert path.moves_m(*heights, 0.42) == pytest.approx([-0.42, 0.0, 0.42])
        assert path.moves_m(*heights, 0.5) == pytest.approx([-0.5, -0.25, 0.0, 0.25, 0.5])
