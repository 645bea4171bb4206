"""What a zone is solved with: the right head at each end, the site's grass, headroom, confidence, changes tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from geotools.beam import HEAD_TYPES, TARGETS, solve_beams
from geotools.beam.strip import modulation
from geotools.detection.accuracy import PER_95, Accuracy
from geotools.detection.cases import Rules, length_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.sensitivity import GRASS_M, HEAD_M, THRESHOLD, sensitivity
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import StationVerdicts, judge_stations
from geotools.plan.model import BeamPair, Zone
from tests.detection.test_verdicts import line_of_zones
from tests.invented_ground import Formula

#: a high transmitter and a low receiver: no end may take the other's height
PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.90, 0.25)
RULES = Rules(0.2, 2.0, 0.25, {"prone": TARGETS["prone"]})


def dip(x, y):
    """Deep enough that heads 0.05 m higher or lower, and grass, change what is crossed."""
    return -0.20 * np.exp(-(((x - 12.0) / 6.0) ** 2)) + 0.0 * y


def on(ground=dip, pairs=(PAIR,), rules=RULES, count=1):
    return Perimeter(line_of_zones(count, length=40.0, pairs=pairs), Formula(ground, cell_m=0.5), rules)


def moved(up_tx: float, up_rx: float) -> tuple[BeamPair]:
    return (replace(PAIR, tx_height_m=PAIR.tx_height_m + up_tx, rx_height_m=PAIR.rx_height_m + up_rx),)


@pytest.mark.parametrize("grass_m", [0.0, 0.12])
def test_a_zone_is_solved_with_each_head_at_its_own_end_and_the_sites_grass(grass_m):
    rules = replace(RULES, grass_m=grass_m)
    perimeter = on(rules=rules)
    strip = perimeter.strip("Z1")
    (field,) = solve_beams([strip.beam(PAIR.head_type, PAIR.tx_height_m, PAIR.rx_height_m)])
    found = perimeter.own("Z1")["prone"]
    assert np.abs(found - modulation([field], TARGETS["prone"], strip, grass_m=grass_m)).max() < 1e-6
    (swapped,) = solve_beams([strip.beam(PAIR.head_type, PAIR.rx_height_m, PAIR.tx_height_m)])
    assert np.abs(found - modulation([swapped], TARGETS["prone"], strip, grass_m=grass_m)).max() > 0.1
    assert np.abs(found - modulation([field], TARGETS["prone"], strip, grass_m=0.12 - grass_m)).max() > 0.05


def dead_m(perimeter: Perimeter) -> float:
    return length_of(perimeter.dead("Z1")["prone"], perimeter.grids["Z1"].chainage_m)


def test_every_change_tried_is_the_site_with_that_change():
    """Against a site that was set so from the start; each of them has another dead length."""
    found = {one.change: one.dead_m for one in sensitivity(on(), ["Z1"])}
    as_if = {
        "as set": on(),
        "threshold up": on(rules=replace(RULES, threshold=RULES.threshold + THRESHOLD)),
        "threshold down": on(rules=replace(RULES, threshold=RULES.threshold - THRESHOLD)),
        "grass": on(rules=replace(RULES, grass_m=GRASS_M)),
        "heads up": on(pairs=moved(HEAD_M, HEAD_M)),
        "heads down": on(pairs=moved(-HEAD_M, -HEAD_M)),
        "one up, one down": on(pairs=moved(HEAD_M, -HEAD_M)),
    }
    assert found == pytest.approx({change: dead_m(perimeter) for change, perimeter in as_if.items()}, abs=1e-9)
    assert len({round(length, 3) for length in found.values()}) == len(found)


@pytest.mark.parametrize("headroom", [0.25, -0.25])
def test_headroom_is_a_higher_threshold(headroom):
    perimeter = on(count=2)
    higher = on(count=2, rules=replace(RULES, threshold=RULES.threshold * (1.0 + headroom)))
    flags, expected = perimeter.dead("Z1", headroom=headroom)["prone"], higher.dead("Z1")["prone"]
    assert (flags == expected).all() and (flags != perimeter.dead("Z1")["prone"]).any()
    around = perimeter.dead_around({"Z1": perimeter.own("Z1")}, headroom=headroom)
    assert sorted(around) == ["Z1", "Z2"]
    assert all((around[z]["prone"] == higher.dead(z)["prone"]).all() for z in around)


def test_a_zone_is_tried_no_more_only_while_half_the_threshold_is_kept_over_it():
    """Level ground, so that what is kept over the threshold can be set by the threshold itself."""
    exact = Unknowns(Accuracy(0.0), head_m=0.0, aim_deg=0.0, body=0.0, draws=9)
    walk = {"walk": TARGETS["walk"]}
    zones = [
        Zone("Z1", line_of_zones(1, length=40.0)[0].line, (BeamPair("a", HEAD_TYPES["24 GHz"], 0.8, 0.8),), "F01", 1)
    ]
    level = Perimeter(zones, Formula(lambda x, y: 0.0 * x), Rules(0.2, 2.0, 0.5, walk))
    weakest = level.weakest("Z1")
    assert weakest > 0.1

    def tried(share: float) -> tuple[bool, int]:
        rules = Rules(weakest / share, 2.0, 0.5, walk)
        judged = judge_stations(Perimeter(zones, Formula(lambda x, y: 0.0 * x), rules), "Z1", exact)
        return judged.ample, len(judged.worlds)

    # what is in hand of one law says nothing of the other: a receiver whose level has to move by twice the signal
    ample = Perimeter(zones, Formula(lambda x, y: 0.0 * x), Rules(weakest / 1.6, 2.0, 0.5, walk))
    for law, detected in ((0.01, True), (2.0, False)):
        said = judge_stations(ample, "Z1", replace(exact, envelope=law))
        assert said.ample and said.stations["walk"].detected().any() == detected
        assert said.stations["walk"].verdict(40)[::2] == (
            ("detected", "") if detected else ("unproven", "receiver_law")
        )
    # 1.5 is where the answer changes
    assert tried(1.53) == (True, 8)
    assert tried(1.47) == (False, 9)
    assert tried(1.02) == (False, 9)


def test_detected_is_95_worlds_of_100_and_95_percent_are_1_96_standard_deviations():
    no = np.zeros(3, dtype=bool)
    said = StationVerdicts(no, np.array([0.049, 0.051, 0.2]), no, True, no)
    assert said.detected().tolist() == [True, False, False]
    assert [said.verdict(row)[0] for row in range(3)] == ["detected", "unproven", "unproven"]
    assert pytest.approx(norm.ppf(0.975), abs=0.005) == PER_95
