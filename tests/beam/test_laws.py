"""The receiver's level, and the facts of the trade under each law of the receiver."""

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, Beam, Target, solve_beams
from geotools.beam.antenna import lateral_fraction, lateral_share
from geotools.beam.response import ResponseRequest
from geotools.beam.strip import Strip, levels, modulation
from geotools.detection.envelope import ENVELOPE_THRESHOLD
from tests.evidence.laws import LAWS, THRESHOLDS, best_threshold, facts

X = np.linspace(0.0, 60.0, 121)
ACROSS = np.linspace(-2.0, 2.0, 17)
LEVEL = Strip(X, ACROSS, np.zeros((X.size, ACROSS.size)))


def field_of(head="24 GHz", tx=0.30, rx=0.38):
    return solve_beams([LEVEL.beam(HEAD_TYPES[head], tx, rx)], single=False)[0]


@pytest.mark.parametrize("law", LAWS)
def test_each_law_has_its_threshold_from_the_trades_table(law):
    default = {"field": 0.20, "envelope": ENVELOPE_THRESHOLD}[law]
    held = [sum(fact.holds(t) for fact in facts(law)) for t in THRESHOLDS]
    assert sum(fact.holds(default) for fact in facts(law)) == max(held)
    assert best_threshold(law)[0] == pytest.approx(default, abs=0.015)


def test_the_field_law_holds_every_row_and_the_envelope_all_but_one():
    assert len(facts("field")) == 9
    assert best_threshold("field")[1] == 9
    assert best_threshold("envelope")[1] == 8


def test_the_cut_has_the_modulation_as_its_magnitude():
    field = field_of()
    for target in (TARGETS["prone"], TARGETS["run-up jump"]):
        cut = field.cut_grid(target, ACROSS, LEVEL.standing_m)
        assert np.abs(np.abs(cut) - field.modulation_grid(target, ACROSS, LEVEL.standing_m)).max() < 1e-12
    share = lateral_share(HEAD_TYPES["24 GHz"], X, 60.0, ACROSS, 0.5)
    assert np.abs(np.abs(share) - lateral_fraction(HEAD_TYPES["24 GHz"], X, 60.0, ACROSS, 0.5)).max() < 1e-12


def test_a_wall_across_the_beam_takes_the_whole_signal():
    field = field_of("10 GHz", 0.91, 1.15)
    wall = field.cut_grid(Target("wall", 5.0, 10.0), [0.0], 0.0 * X[:, None])
    assert np.abs(field.quiet_level - wall)[20:-20].max() < 0.02


def test_two_screens_side_by_side_cut_what_one_of_both_widths_does():
    """In phase: only complex shares add up."""
    field = field_of("10 GHz", 0.91, 1.15)
    ground = 0.0 * X[:, None]
    parts = [
        field.cut_grid(Target("part", 0.7, width), [centre], ground) for width, centre in ((0.3, -0.45), (0.9, 0.15))
    ]
    whole = field.cut_grid(Target("whole", 0.7, 1.2), [0.0], ground)
    assert np.abs(parts[0] + parts[1] - whole).max() < 1e-9
    magnitudes = np.abs(parts[0]) + np.abs(parts[1])
    assert np.abs(magnitudes - np.abs(whole)).max() > 0.005


def test_a_body_that_takes_away_a_part_out_of_step_raises_the_level():
    """Field and level are two things: the least level is |S| - |dS| at the lowest, the highest |S| + |dS|."""
    field = field_of("10 GHz", 0.91, 1.15)
    m = modulation([field], TARGETS["prone"], LEVEL)
    level = levels(field, TARGETS["prone"], LEVEL)
    assert (np.abs(level - field.quiet_level) <= m + 1e-9).all()
    assert level.max() > field.quiet_level + 0.05


def test_the_quiet_level_of_a_beam_in_a_null_is_below_one():
    from geotools.beam.field import SIGNAL_FLOOR

    for height in np.arange(0.2, 1.6, 0.05):
        (field,) = solve_beams([Beam(HEAD_TYPES["10 GHz"], X, 0 * X, height, height)], single=False)
        signal = 10 ** (field.standing_level_db / 20)
        assert field.quiet_level == pytest.approx(min(1.0, signal / SIGNAL_FLOOR), rel=1e-6)


def test_a_response_brings_the_level_only_where_it_is_asked_for():
    field = field_of()
    who = ((TARGETS["prone"], 0.0), (TARGETS["crawl"], 0.12), (TARGETS["prone"], 0.5))
    plain = ResponseRequest(LEVEL, who)(field)
    assert plain.level is None
    asked = ResponseRequest(LEVEL, who, level=True)(field)
    assert np.array_equal(asked.modulation, plain.modulation)
    assert asked.quiet_level == field.quiet_level
    assert asked.level.shape == asked.modulation.shape
    assert np.array_equal(asked.level[0], levels(field, TARGETS["prone"], LEVEL))
    assert (asked.level[2] == field.quiet_level).all(), "grass higher than the body hides it"
