"""Six sources of what is not known exactly: each enters, each can be left out, each has its own price in metres."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import TARGETS, Target
from geotools.detection.accuracy import Accuracy
from geotools.detection.cases import Case, moved_heads
from geotools.detection.hidden import Hidden
from geotools.detection.perimeter import Perimeter
from geotools.detection.sensitivity import SOURCES, costs
from geotools.detection.unknowns import Build, Drawing, Unknowns, drawn_modulation
from geotools.detection.verdicts import judge_stations
from geotools.site.detection import Detection
from geotools.terrain.quality import SurveyQuality
from tests.detection.test_verdicts import RULES, line_of_zones
from tests.invented_ground import Formula

KNOWN = Unknowns(Accuracy(0.0), head_m=0.0, aim_deg=0.0, body=0.0, draws=16)


def flat(x, y):
    return 0.0 * x


def perimeter_on(height=flat):
    return Perimeter(line_of_zones(1, length=80.0), Formula(height, cell_m=0.25), RULES)


def spread(unknowns, height=flat, threat="prone"):
    """Standard deviation of the modulation over the worlds, mean over the strip's middle."""
    drawn = drawn_modulation(perimeter_on(height), "Z1", unknowns, range(unknowns.draws))
    return float(np.std([one[threat] for one in drawn], axis=0)[20:-20].mean())


def test_where_everything_is_known_every_world_is_the_same():
    assert spread(KNOWN) < 1e-9


@pytest.mark.parametrize(
    "source",
    [
        {"survey": Accuracy(0.05 / 1.96)},
        {"head_m": 0.05},
        {"aim_deg": 1.0},
        {"body": 0.15},
        {"mirror_grass_m": 0.08},
        {"build": Build(Formula(lambda x, y: 0.3 + 0.0 * x), 0.03, 0.0)},
        {"build": Build(Formula(lambda x, y: 0.3 * (np.abs(x - 40.0) < 12.0)), 0.0, 0.05)},
    ],
    ids=["survey", "height", "aim", "body", "surface", "build", "settlement"],
)
def test_each_source_moves_the_answer_by_itself(source):
    assert spread(replace(KNOWN, **source)) > 0.002


def test_on_proposed_ground_the_build_takes_the_place_of_the_survey():
    """Noise is not counted twice: what will be built to a tolerance does not carry the old survey's error too."""
    filled = Build(Formula(lambda x, y: np.where(x < 40.0, 0.3, np.nan)), 0.0, 0.0)
    unknowns = replace(KNOWN, survey=Accuracy(0.10), build=filled)
    _, errors = Drawing(perimeter_on(), "Z1", unknowns).worlds(range(4))
    along = perimeter_on().grids["Z1"].chainage_m
    assert np.abs(errors[:, along < 39.0]).max() == 0.0
    assert errors[:, along > 41.0].std() > 0.05


def test_fill_settles_no_deeper_than_it_is_and_cut_not_at_all():
    fills = [Formula(lambda x, y, m=m: m * (np.abs(x - 40.0) < 12.0)) for m in (0.3, 0.02, -0.3)]
    deep, thin, cut = (Build(one, 0.0, 0.10) for one in fills)
    moved = [spread(replace(KNOWN, build=one)) for one in (deep, thin, cut)]
    assert moved[0] > 3.0 * moved[1] > 0.0
    assert moved[2] < 1e-9


def test_ground_that_settles_goes_down(monkeypatch):
    """By as much as it may, half of it on the mean: never up."""
    taken = []
    case = Case

    def seen(zone, strip, *rest, **more):
        taken.append(strip.ground_m)
        return case(zone, strip, *rest, **more)

    monkeypatch.setattr("geotools.detection.unknowns.Case", seen)
    fill = Build(Formula(lambda x, y: 0.3 + 0.0 * x), 0.0, 0.10)
    perimeter = perimeter_on()
    drawn_modulation(perimeter, "Z1", replace(KNOWN, build=fill), range(40))
    before, *worlds = taken
    moved = np.array([np.mean(world - before) for world in worlds])
    assert moved.min() >= -0.10 and moved.max() <= 0.0
    assert moved.mean() == pytest.approx(-0.05, abs=0.015)


def test_detected_means_under_both_bounds_of_the_grass():
    """Mown it is detected, and unproven where grass could reflect so high that a prone person is lost in it."""
    mown = judge_stations(perimeter_on(), "Z1", KNOWN).stations["prone"]
    tall = judge_stations(perimeter_on(), "Z1", replace(KNOWN, mirror_grass_m=0.2)).stations["prone"]
    inner = slice(20, -20)
    assert mown.detected()[inner].all()
    assert not tall.detected()[inner].any() and not tall.dead[inner].any()


@pytest.mark.parametrize("threat", ["prone", "jump"])
def test_grass_that_reflects_at_its_top_hides_no_more_above_it(threat):
    """Grass is not counted twice: over the mirror at its top a body is shorter by it, and in sight down to it."""
    grass = 0.08
    targets = {"prone": TARGETS["prone"], "jump": Target("jump", 0.50, 0.50, 1.20)}
    grown = Perimeter(
        line_of_zones(1, length=80.0), Formula(flat, cell_m=0.25), replace(RULES, targets=targets, grass_m=grass)
    )
    unknowns = replace(KNOWN, mirror_grass_m=grass)
    # the second world has all of the mirror
    (drawn,) = drawn_modulation(grown, "Z1", unknowns, [1])
    (zone,) = line_of_zones(1, length=80.0)
    sunk = moved_heads(zone, np.full((2, 2), -grass))
    body = targets[threat]
    on_ground = threat == "prone"
    over = replace(body, height_m=0.30 - grass) if on_ground else replace(body, base_m=body.base_m - grass)
    bare = Perimeter([sunk], Formula(flat, cell_m=0.25), replace(RULES, targets={threat: over}))
    inner = slice(20, -20)
    expected = bare.own("Z1")[threat][inner]
    assert drawn[threat][inner] == pytest.approx(expected, abs=0.02)


def test_in_grass_higher_than_a_body_nobody_is_detected_and_nothing_breaks():
    grown = Perimeter(line_of_zones(1, length=80.0), Formula(flat, cell_m=0.25), replace(RULES, grass_m=0.4))
    stations = judge_stations(grown, "Z1", replace(KNOWN, mirror_grass_m=0.4, body=0.15)).stations["prone"]
    assert stations.dead.all() and not stations.detected().any()


def test_the_price_of_each_source_is_what_its_knowledge_would_gain():
    def gained(unknowns, height=flat):
        perimeter = perimeter_on(height)
        judged = judge_stations(perimeter, "Z1", unknowns)
        return {c.source: c.unproven_m for c in costs(perimeter, "Z1", unknowns, judged) if c.threat == "prone"}

    nothing = gained(KNOWN)
    assert set(nothing) == set(SOURCES) and set(nothing.values()) == {0.0}
    for source, given in (
        ("surface", {"mirror_grass_m": 0.15}),
        ("survey", {"survey": Accuracy(0.15)}),
        ("build", {"build": Build(Formula(lambda x, y: 0.5 + 0.0 * x), 0.3, 0.0)}),
    ):
        found = gained(replace(KNOWN, **given))
        assert found.pop(source) > 30.0, source
        assert set(found.values()) == {0.0}, source
    rolling = lambda x, y: 0.4 * np.sin(x / 14.0) + 0.0 * y  # noqa: E731
    hidden = Hidden(SurveyQuality(6.0, "stated"), 1.7)
    found = gained(replace(KNOWN, hidden=hidden), rolling)
    assert found.pop("spacing") > 3.0 and set(found.values()) == {0.0}


def test_every_source_can_be_named_in_the_site_file_and_all_are_there_from_the_first():
    assert set(Detection().uncertain) == set(SOURCES)
    assert Detection(uncertain=("survey",)).uncertain == ("survey",)
    with pytest.raises(ValueError, match="uncertain"):
        Detection(uncertain=("weather",))
