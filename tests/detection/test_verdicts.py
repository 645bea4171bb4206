"""A verdict for every metre of fence: earned where it says detected, and never more than the fence is long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.accuracy import Accuracy
from geotools.detection.cases import Rules
from geotools.detection.perimeter import Perimeter
from geotools.detection.stretches import run_back, stretches
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import VERDICTS, judge_stations
from geotools.plan.model import BeamPair, FenceChain, Zone
from geotools.site.detection import Detection
from geotools.steps.gaps.spoken import EVERY_THREAT, verdict_lengths, verdict_rows
from tests.invented_ground import Formula

LOW = BeamPair("low", HEAD_TYPES["24 GHz"], 0.30, 0.33)
MAIN = BeamPair("main", HEAD_TYPES["10 GHz"], 0.91, 0.88)
RULES = Rules(0.2, 2.0, 0.5, {name: TARGETS[name] for name in ("walk", "prone")})
GOOD = Unknowns(Accuracy(0.02 / 1.96, correlation_m=8.0), draws=24, envelope=0.23)


def line_of_zones(count: int, length: float = 60.0, overlap: float = 10.0, pairs=(LOW, MAIN)) -> list[Zone]:
    step = length - overlap
    zones = []
    for number in range(count):
        line = BeamLine(number * step, 2.0, number * step + length, 2.0)
        forward = number % 2 == 0
        zones.append(Zone(f"Z{number + 1}", line if forward else line.reversed(), pairs, "F01", number + 1, forward))
    return zones


def judged(zones, ground=lambda x, y: 0.0 * x, unknowns=GOOD, rules=RULES, fence=None):
    perimeter = Perimeter(zones, Formula(ground, cell_m=0.25), rules)
    chain = FenceChain("F01", tuple(zones))
    stations = {z.zone_id: judge_stations(perimeter, z.zone_id, unknowns).stations for z in zones}
    fence = fence or LineString([(zones[0].along_fence.x0, 0.0), (zones[-1].along_fence.x1, 0.0)])
    return stretches(chain, fence, list(rules.targets), stations), fence


def metres(said, threat="prone"):
    return verdict_lengths(said)[threat]


def test_the_four_lengths_add_up_to_the_fence_for_every_threat_and_for_all_together():
    dip = lambda x, y: -0.4 * np.exp(-(((x - 40.0) / 4.0) ** 2)) + 0.0 * y  # noqa: E731
    said, fence = judged(line_of_zones(3), dip)
    for threat in RULES.targets:
        assert sum(metres(said, threat).values()) == pytest.approx(fence.length, abs=0.02)
    rows = [row for row in verdict_rows(said) if row["threat"] == EVERY_THREAT]
    assert sum(row["to_m"] - row["from_m"] for row in rows) == pytest.approx(fence.length, abs=1e-6)
    assert all(row["geometry"].length == pytest.approx(row["to_m"] - row["from_m"], abs=1e-6) for row in rows)
    assert {row["verdict"] for row in verdict_rows(said)} <= set(VERDICTS)
    assert metres(said)["undetected"] > 5.0 > metres(said, "walk")["undetected"]


@pytest.mark.parametrize(("apart", "detected"), [(0.5, False), (3.0, False), (6.0, True)])
def test_beams_there_and_back_across_a_yard_detect_nobody_at_its_fence(apart, detected):
    """A closed yard of 60 by 45 m with a beam out and one back along its middle, not round it."""
    there = Zone("Z1", BeamLine(5.0, 22.0, 55.0, 22.0), (LOW, MAIN), "F01", 1, True)
    back = Zone("Z2", BeamLine(55.0, 22.0 + apart, 5.0, 22.0 + apart), (LOW, MAIN), "F01", 2, True)
    yard = LineString([(0, 0), (60, 0), (60, 45), (0, 45), (0, 0)])
    perimeter = Perimeter([there, back], Formula(lambda x, y: 0.0 * x, cell_m=0.25), RULES)
    stations = {z: judge_stations(perimeter, z, replace(GOOD, draws=0)).stations for z in ("Z1", "Z2")}
    chain = FenceChain("F01", (there, back), closed=True)
    found = metres(stretches(chain, yard, ["prone"], stations))
    assert run_back(chain) == ([] if detected else ["Z1", "Z2"])
    assert (found["no_beam"] < yard.length - 1.0) == detected
    assert run_back(replace(chain, closed=False)) == []


def test_fence_whose_last_zone_is_gone_has_no_beam():
    zones = line_of_zones(3)
    whole, fence = judged(zones)
    assert metres(whole)["no_beam"] == 0.0
    short, _ = judged(zones[:2], fence=fence)
    # what only the third zone covered: from the second's end on
    expected = fence.length - zones[1].along_fence.x1
    for threat in RULES.targets:
        assert metres(short, threat)["no_beam"] == pytest.approx(expected, abs=0.5)


def test_a_zone_missing_in_the_middle_leaves_its_fence_without_beam():
    zones = line_of_zones(4)
    said, _ = judged([zones[0], zones[1], zones[3]], fence=LineString([(0.0, 0.0), (zones[3].along_fence.x1, 0.0)]))
    gap = zones[3].along_fence.x0 - zones[1].along_fence.x1
    assert metres(said)["no_beam"] == pytest.approx(gap, abs=0.5)


def test_a_corner_outside_the_beams_is_covered_where_they_cross():
    zones = [
        Zone("Z1", BeamLine(0.0, 2.0, 62.0, 2.0), (LOW, MAIN), "F01", 1),
        Zone("Z2", BeamLine(58.0, -2.0 + 2.0, 58.0, 60.0), (LOW, MAIN), "F01", 2),
    ]
    said, fence = judged(zones, fence=LineString([(0.0, 0.0), (60.0, 0.0), (60.0, 60.0)]))
    assert metres(said)["no_beam"] == 0.0
    assert sum(metres(said).values()) == pytest.approx(fence.length, abs=0.02)


def test_a_worse_survey_never_makes_a_better_answer():
    shallow = lambda x, y: -0.05 * np.exp(-(((x - 28.0) / 4.0) ** 2)) + 0.0 * y  # noqa: E731
    lengths = []
    for accuracy in (0.02, 0.15, 0.30):
        unknowns = Unknowns(Accuracy(accuracy / 1.96, correlation_m=8.0), draws=40)
        lengths.append(metres(judged(line_of_zones(2), shallow, unknowns)[0]))
    assert lengths[0]["detected"] >= lengths[1]["detected"] >= lengths[2]["detected"]
    assert lengths[2]["unproven"] > lengths[0]["unproven"] and lengths[2]["unproven"] > 10.0


def test_nothing_is_detected_on_a_survey_of_unstated_accuracy():
    said, _ = judged(line_of_zones(2), unknowns=Unknowns(None, draws=16))
    assert metres(said)["detected"] == 0.0
    assert {one.cause for one in said if one.verdict == "unproven"} == {"survey_unstated"}


def test_flat_ground_well_surveyed_is_detected_between_the_dead_ground_of_the_heads():
    zones = line_of_zones(2, length=100.0)
    said, fence = judged(zones)
    for threat in RULES.targets:
        inner = [one for one in said if one.threat == threat and one.to_m > 8.0 and one.from_m < fence.length - 8.0]
        assert {one.verdict for one in inner} == {"detected"}
        assert min(one.confidence for one in inner) >= 0.95


def test_confidence_is_what_a_second_set_of_surveys_bears_out():
    """Places called detected are detected in at least 95 % of surveys that were not used to say so."""
    rough = lambda x, y: 0.03 * np.sin(x / 3.1) - 0.06 * np.exp(-(((x - 30.0) / 5.0) ** 2)) + 0.0 * y  # noqa: E731
    zones = line_of_zones(1, length=70.0)
    unknowns = Unknowns(Accuracy(0.05 / 1.96, correlation_m=8.0), draws=40, head_m=0.0, body=0.0, aim_deg=0.0)
    perimeter = Perimeter(zones, Formula(rough, cell_m=0.25), RULES)
    stations = judge_stations(perimeter, "Z1", unknowns).stations["prone"]
    called = np.array([stations.verdict(row)[0] == "detected" for row in range(stations.dead.size)])
    called &= perimeter.counted("Z1")
    assert called.sum() > 40
    # the truth: the same ground with other errors, solved finely
    from geotools.detection.accuracy import error_field

    grid, level = perimeter.grids["Z1"], perimeter.levels("Z1")
    errors = error_field(grid.chainage_m, grid.offset_m, unknowns.survey, np.random.default_rng(99), 60)
    dead = np.array([perimeter.dead("Z1", perimeter.modulation(zones[0], level + e))["prone"] for e in errors])
    assert (1.0 - dead[:, called].mean()) >= 0.95


# ---- what the defaults make of flat ground


def flat_ground(accuracy_m, grass_m):
    """Three zones of 100 m with main and low heads, on flat ground, with every default of the site file."""
    given = Detection(grass_m=grass_m)
    unknowns = Unknowns(
        Accuracy(accuracy_m / 1.96, correlation_m=8.0),
        head_m=given.head_tolerance_m,
        aim_deg=given.aim_tolerance_deg,
        body=given.body_range,
        mirror_grass_m=given.grass_m,
        envelope=given.envelope_threshold,
        draws=32,
    )
    rules = replace(RULES, targets={name: TARGETS[name] for name in ("walk", "crawl", "prone")}, grass_m=grass_m)
    zones = line_of_zones(3, length=100.0)
    return judged(zones, unknowns=unknowns, rules=rules)


def test_a_mown_site_surveyed_well_is_detected_beyond_the_dead_ground_at_its_loose_ends():
    said, fence = flat_ground(0.02, 0.0)
    for threat in ("walk", "crawl", "prone"):
        assert metres(said, threat)["undetected"] == 0.0
        inner = [one for one in said if one.threat == threat and one.to_m > 8.0 and one.from_m < fence.length - 8.0]
        assert {one.verdict for one in inner} == {"detected"}, threat


def test_grass_and_a_middling_survey_leave_the_prone_person_unproven_and_say_why():
    said, fence = flat_ground(0.06, 0.08)
    assert metres(said, "walk")["detected"] == pytest.approx(fence.length, abs=0.1)
    assert metres(said)["unproven"] > 0.25 * fence.length
    assert metres(said)["undetected"] < 0.05 * fence.length
    open_ = [one for one in said if one.threat == "prone" and one.verdict == "unproven"]
    assert {one.cause for one in open_} <= {"not_known_exactly", "receiver_law"}
    assert all(row["settle"] for row in verdict_rows(said) if row["verdict"] == "unproven")
    # mown, the same survey proves it
    mown, _ = flat_ground(0.06, 0.0)
    assert metres(mown)["unproven"] < 0.1 * fence.length


def test_nothing_drawn_proves_nothing():
    """Flat ground, on which every body is detected by the best estimate."""
    perimeter = Perimeter(line_of_zones(1), Formula(lambda x, y: 0.0 * x, cell_m=0.25), RULES)
    for survey in (Accuracy(0.02 / 1.96), None):
        for stations in judge_stations(perimeter, "Z1", Unknowns(survey, draws=0)).stations.values():
            assert not stations.detected().any()
            quiet = int(np.flatnonzero(~stations.dead)[0])
            assert stations.verdict(quiet) == ("unproven", None, "survey_unstated")
