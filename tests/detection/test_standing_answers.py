"""What is asked of zones as they stand, at once and for one solve: as each answer is by itself."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import TARGETS
from geotools.detection.cases import Case
from geotools.detection.chains import Tile
from geotools.detection.findings import find
from geotools.detection.hidden import Hidden, dip_case, hidden_depth
from geotools.detection.perimeter import Perimeter
from geotools.detection.standing_answers import StandingQuestions, standing_answers
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import judge_stations
from geotools.engine import batching
from geotools.plan.model import FenceChain
from geotools.terrain.quality import SurveyQuality
from tests.detection.test_heads_and_rules import PAIR, RULES, dip, on

ASKED = Unknowns(None, envelope=0.23, hidden=Hidden(SurveyQuality(8.0, "stated"), 1.0))
SOME = replace(RULES, targets={name: TARGETS[name] for name in ("crawl", "prone")})


def rough(x, y):
    """Rough enough along both zones that a survey that resolves 8 m misses a dip that matters."""
    return dip(x, y) + 0.08 * np.sin(x / 2.5)


@pytest.fixture
def solved(monkeypatch):
    """Names of the beams that are solved, and whether coarsely."""
    names = []
    solve = batching.solve_batch

    def counted(batch, uses):
        names.extend(f"{one.name} coarsely" if one.coarse else one.name for one in batch.beams)
        return solve(batch, uses)

    monkeypatch.setattr(batching, "solve_batch", counted)
    return names


def test_dip_level_and_grass_of_every_zone_are_what_they_are_alone_and_cost_one_solve_a_pair(solved):
    perimeter = on(
        rough, rules=SOME, count=2, pairs=(PAIR, replace(PAIR, level="main", tx_height_m=0.8, rx_height_m=0.7))
    )
    found = standing_answers(perimeter, ["Z1", "Z2"], ASKED, 0.08)
    assert len(solved) == len(set(solved)) == 4
    for zone_id, one in found.items():
        zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
        assert one.dip_m == hidden_depth(perimeter, zone_id, ASKED.hidden) > 0.01
        dip = perimeter.best([dip_case(perimeter, zone_id, one.dip_m)])[0]
        assert np.array([one.in_dip["crawl"], one.in_dip["prone"]]) == pytest.approx(dip, abs=1e-5)
        grass = perimeter.best([Case(zone, strip, grass_m=0.08)])[0]
        assert one.in_grass == pytest.approx(grass, abs=1e-5)
        assert np.abs(dip - grass).max() > 0.05
        (alone,) = perimeter.responses([Case(zone, strip, level=True)])
        for pair, wanted in zip(one.levels, alone, strict=True):
            assert pair.level == pytest.approx(wanted.level, abs=1e-5) and pair.quiet_level == wanted.quiet_level


def test_nothing_is_solved_that_is_not_asked(solved):
    perimeter = on(rules=SOME)
    (none,) = standing_answers(perimeter, ["Z1"], Unknowns(None)).values()
    assert (none.dip_m, none.in_dip, none.levels, none.in_grass) == (0.0, None, [], None) and not solved
    judged = {
        given is None: judge_stations(perimeter, "Z1", replace(ASKED, draws=8), "2d", given).stations["prone"]
        for given in (None, standing_answers(perimeter, ["Z1"], ASKED, 0.08)["Z1"])
    }
    for name in ("missed", "law", "dead", "open_share"):
        assert np.array_equal(getattr(judged[True], name), getattr(judged[False], name))
    assert judged[True].missed.any()


def test_the_coarse_answer_as_it_stands_is_solved_once_for_all_worlds(solved):
    perimeter = on(rough, rules=SOME)
    judged = judge_stations(perimeter, "Z1", Unknowns(None, draws=11))
    assert not judged.ample and len(judged.worlds) == 11
    assert sum(name.endswith("coarsely") for name in solved) == 11 + 1


def test_a_tile_asked_with_its_questions_solves_no_more_and_finds_what_it_finds_without(solved):
    zones = tuple(on(lambda x, y: 0.0 * x, rules=SOME, count=2).zones.values())
    tile = Tile(FenceChain(zones[0].fence_id, zones), range(1))

    def fresh():
        return Perimeter.of([tile.chain], on(lambda x, y: 0.02 * np.sin(x / 2.5)).ground, SOME)

    perimeter = fresh()
    found = find(perimeter, tile, questions=StandingQuestions.of(perimeter, tile.asked, ASKED, 0.08))
    with_questions = len(solved)
    alone = find(fresh(), tile)
    assert len(solved) == 2 * with_questions
    assert alone.answers == {} and list(found.answers) == tile.asked == ["Z1"]
    for zone in zones:
        assert np.array_equal(found.patches[zone.zone_id].best, alone.patches[zone.zone_id].best)
        assert np.array_equal(found.patches[zone.zone_id].floor, alone.patches[zone.zone_id].floor)
    wanted = standing_answers(perimeter, ["Z1"], ASKED, 0.08)["Z1"]
    assert found.answers["Z1"].in_grass == pytest.approx(wanted.in_grass, abs=1e-5)
    assert found.answers["Z1"].levels[0].level == pytest.approx(wanted.levels[0].level, abs=1e-5)
