"""A dip that the survey could have missed: nothing counts as detected where one could lie."""

from __future__ import annotations

import numpy as np

from geotools.detection.accuracy import Accuracy
from geotools.detection.hidden import Hidden, hidden_depth
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import judge_stations
from geotools.steps.gaps.spoken import verdict_rows
from geotools.terrain.quality import SurveyQuality
from tests.detection.test_verdicts import RULES, judged, line_of_zones, metres
from tests.invented_ground import Formula

WAVES = np.geomspace(20.0, 160.0, 24)
TURNS = np.random.default_rng(3).uniform(0.0, 2.0 * np.pi, (24, 2))


def natural(x, y):
    """Ground rough at all lengths from 20 m up, as a survey of points 10 m apart shows it."""
    z = 0.0 * x
    for wave, (phase, turn) in zip(WAVES, TURNS, strict=True):
        z = z + 0.004 * wave**0.6 * np.sin(2.0 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / wave + phase)
    return z


def with_survey(resolves: float, dip_m: float = 1.7) -> Unknowns:
    hidden = Hidden(SurveyQuality(resolves, "stated"), dip_m) if dip_m else None
    return Unknowns(Accuracy(0.02 / 1.96), draws=16, hidden=hidden)


def test_ground_surveyed_at_ten_metres_is_not_detected_whatever_it_looks_like():
    close, _ = judged(line_of_zones(2), natural, with_survey(0.25))
    wide, fence = judged(line_of_zones(2), natural, with_survey(13.8))
    assert metres(close)["detected"] > 0.5 * fence.length
    assert metres(wide)["detected"] < 0.1 * fence.length
    assert metres(wide)["undetected"] == metres(close)["undetected"]
    # left out, it costs nothing
    without, _ = judged(line_of_zones(2), natural, with_survey(13.8, dip_m=0.0))
    assert metres(without) == metres(close)
    # who walks upright is detected in any dip that such ground could hide
    assert metres(wide, "walk") == metres(close, "walk")


def test_flat_ground_hides_nothing_however_far_apart_its_heights_are():
    perimeter = Perimeter(line_of_zones(1), Formula(lambda x, y: 0.0 * x, cell_m=0.25), RULES)
    assert hidden_depth(perimeter, "Z1", Hidden(SurveyQuality(13.8, "stated"), 1.7)) == 0.0


def test_the_row_names_the_spacing_the_shortest_dip_and_what_would_settle_it():
    unknowns = with_survey(13.8)
    said, _ = judged(line_of_zones(1, length=80.0), natural, unknowns)
    rows = [row for row in verdict_rows(said, {"F01": unknowns.hidden}) if row["cause"] == "survey_spacing"]
    assert {row["verdict"] for row in rows} == {"unproven"}
    settle = rows[0]["settle"]
    assert settle.startswith(
        "survey the strip at 0.57 m spacing: a survey that resolves 14 m shows no dip shorter than 28 m"
    )
    perimeter = Perimeter(line_of_zones(1, length=80.0), Formula(natural, cell_m=0.25), RULES)
    assert f"could be {hidden_depth(perimeter, 'Z1', unknowns.hidden):.2f} m deep" in settle


def test_a_threat_above_the_ground_is_as_high_above_a_dip_as_beside_it():
    from dataclasses import replace

    from geotools.beam import TARGETS

    rules = replace(RULES, targets={"jump": TARGETS["run-up jump"], "prone": TARGETS["prone"]})
    zones = line_of_zones(1, length=80.0)
    perimeter = Perimeter(zones, Formula(natural, cell_m=0.25), rules)
    stations = judge_stations(perimeter, "Z1", with_survey(13.8)).stations
    assert stations["prone"].missed.mean() > 0.9
    assert np.array_equal(stations["jump"].missed, stations["jump"].dead)
