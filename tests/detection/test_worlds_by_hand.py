"""What a world is drawn from: the share of the grass that mirrors, moves of heads, bodies. No beam is solved.

Red when a bound is left out or a spread is another one than stated.
"""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection import unknowns as unknowns_of
from geotools.detection.accuracy import Accuracy
from geotools.detection.cases import Rules
from geotools.detection.level_ground import LEVEL
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Build, Drawing, Unknowns, _drawn, _World, survey_error, without_each
from geotools.plan.model import BeamPair, Zone
from geotools.site.works import GradingLimits
from tests.invented_ground import Formula

PAIRS = tuple(BeamPair(f"level {n}", HEAD_TYPES["24 GHz"], 0.3, 0.3) for n in range(10))
ZONE = Zone("Z", BeamLine(0, 0, 6, 0), PAIRS, "F", 3)
PERIMETER = Perimeter([ZONE], LEVEL, Rules(0.2, 1.0, 0.5, {"prone": TARGETS["prone"]}))
UNKNOWNS = Unknowns(None, mirror_grass_m=0.1, head_m=0.02, aim_deg=0.5, body=0.1)


def worlds(unknowns=UNKNOWNS, count=80):
    return [_drawn(PERIMETER, "Z", unknowns, None, number) for number in range(count)]


def test_every_fourth_world_has_no_mirror_in_the_grass_and_the_next_one_at_its_top():
    mirror = np.array([world.mirror_m for world in worlds()]).reshape(-1, 4)
    assert (mirror[:, 0] == 0.0).all() and mirror[:, 1] == pytest.approx(0.1)
    between = mirror[:, 2:].ravel()
    assert ((between > 0.0) & (between < 0.1)).all() and np.unique(between).size == between.size
    # even between both: mean a half, standard deviation 1 / sqrt(12)
    assert between.mean() == pytest.approx(0.05, abs=0.015) and between.std() == pytest.approx(0.1 / 12**0.5, abs=0.006)


def test_stated_errors_are_what_nineteen_of_twenty_stay_within():
    drawn = worlds()
    for values, stated in ((np.array([w.moves_m for w in drawn]), 0.02), (np.array([w.aim_deg for w in drawn]), 0.5)):
        assert values.shape[1] == 10
        assert (np.abs(values) < stated).mean() == pytest.approx(0.95, abs=0.02)
        assert values.mean() == pytest.approx(0.0, abs=0.05 * stated)


@pytest.mark.parametrize("sigma", [0.02, 1.0])
def test_the_ground_is_off_by_the_surveys_standard_deviation_and_by_nothing_without_one(sigma):
    strip = PERIMETER.strip("Z")
    rng = np.random.default_rng(5)
    surveyed = replace(UNKNOWNS, survey=Accuracy(sigma, correlation_m=0.5))
    off = np.concatenate([survey_error(ZONE.line, strip, surveyed, rng).ravel() for _ in range(40)])
    assert off.std() == pytest.approx(sigma, rel=0.2) and off.mean() == pytest.approx(0.0, abs=0.2 * sigma)
    for known in (None, Accuracy(0.0)):
        assert (survey_error(ZONE.line, strip, replace(UNKNOWNS, survey=known), rng) == 0.0).all()


def test_bodies_are_at_most_so_much_larger_and_as_often_smaller():
    drawn = worlds()
    for values in (np.array([w.taller for w in drawn]), np.array([w.wider for w in drawn])):
        assert 0.9 <= values.min() < 0.92 and 1.08 < values.max() <= 1.1
    assert np.corrcoef([w.taller for w in drawn], [w.wider for w in drawn])[0, 1] == pytest.approx(0.0, abs=0.35)


def test_a_world_is_the_same_whenever_it_is_drawn_and_another_for_every_zone_number_and_seed():
    one, again = worlds(count=1)[0], worlds(count=1)[0]
    assert np.array_equal(one.moves_m, again.moves_m) and np.array_equal(one.aim_deg, again.aim_deg)
    other = worlds(replace(UNKNOWNS, seed=UNKNOWNS.seed + 1), 1)[0]
    assert not np.array_equal(one.moves_m, other.moves_m)


def proposed(fill_m):
    """Ground that is raised so much up to 3 m along the beam, and is as surveyed beyond."""
    return Build(Formula(lambda x, y: np.where(x < 2.9, fill_m, 0.0) + 0.0 * y))


def test_the_surveys_errors_of_a_zone_are_those_of_its_worlds_where_nothing_is_built(monkeypatch):
    surveyed = replace(UNKNOWNS, survey=Accuracy(0.05, correlation_m=2.0))
    monkeypatch.setattr(unknowns_of.Drawing, "solved", lambda self, drawn: [world.ground_m for world in drawn])
    wanted = np.array([world.ground_m for world in worlds(surveyed, 5)])[:, :, PERIMETER.grids["Z"].offset_m.size // 2]
    solved, found = Drawing(PERIMETER, "Z", surveyed).worlds(range(5))
    assert wanted.any() and np.array_equal(found, wanted) and len(solved) == 5
    later = Drawing(PERIMETER, "Z", surveyed).worlds(range(3, 5))[1]
    assert np.array_equal(later, wanted[3:])
    built = PERIMETER.grids["Z"].chainage_m < 2.9
    _, found = Drawing(PERIMETER, "Z", replace(surveyed, build=proposed(0.2))).worlds(range(5))
    assert (found[:, built] == 0.0).all() and np.array_equal(found[:, ~built], wanted[:, ~built])


def test_a_build_known_exactly_lies_at_its_design_and_a_survey_known_exactly_elsewhere(monkeypatch):
    strip = PERIMETER.strip("Z")
    off = _World(np.full(strip.ground_m.shape, 0.07), np.zeros((10, 2)), np.zeros((10, 4)))
    monkeypatch.setattr(unknowns_of, "_drawn", lambda *_: off)
    monkeypatch.setattr(unknowns_of.Drawing, "solved", lambda self, worlds: [world.ground_m for world in worlds])
    given = replace(UNKNOWNS, survey=Accuracy(0.05), build=proposed(0.2))
    found = without_each(PERIMETER, "Z", given, [0])
    built = strip.chainage_m < 2.9
    for source, exact in (("build", built), ("survey", ~built)):
        (ground,) = found[source]
        assert (ground[exact] == 0.0).all() and (ground[~exact] == 0.07).all()


def test_works_settle_and_lie_off_as_the_site_file_has_it_where_nothing_else_is_said():
    told, site = Build(LEVEL), GradingLimits()
    assert (told.tolerance_m, told.settlement_m) == (site.build_tolerance_m, site.settlement_m)
