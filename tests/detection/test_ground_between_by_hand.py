"""Which ground a zone's strip and the movers beside it stand on, and what is taken over from another perimeter.

No beam is solved but those of one short zone. Red when ground between nodes is forgotten, works are taken the wrong way
up, a bank is taken for a ditch, or an answer is kept of a zone that has changed.
"""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.movers import MOVERS
from geotools.beam.nuisance import NuisanceResponse
from geotools.corridor import BeamLine
from geotools.detection import nuisance
from geotools.detection.cases import Case, Rules
from geotools.detection.level_ground import LEVEL
from geotools.detection.nuisance import _filled, nuisance_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Build, _Works
from geotools.plan.model import BeamPair, Zone
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula

RULES = Rules(0.2, 1.0, 0.5, {"prone": TARGETS["prone"]})
PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
ZONE = Zone("Z", BeamLine(0, 0, 6, 0), (PAIR,), "F", 1)


@pytest.mark.parametrize(("cell", "along", "across"), [(0.25, 25, 9), (0.125, 49, 17), (0.5, None, None)])
def test_ground_between_the_nodes_is_known_where_it_is_finer_than_they_are_in_either_direction(cell, along, across):
    """Nodes half a metre apart along and a quarter across."""
    made = Perimeter([ZONE], Formula(lambda x, y: 0.1 * x + 0.2 * y, cell), RULES)
    fine = made._fine_ground("Z", None)
    assert made.grids["Z"].spacing_m == pytest.approx((0.5, 0.25))
    if along is None:
        assert fine is None
        return
    assert (fine.chainage_m.size, fine.offset_m.size) == (along, across)
    assert fine.ground_m == pytest.approx(0.1 * fine.chainage_m[:, None] + 0.2 * fine.offset_m[None, :])


def test_works_lie_on_the_ground_between_the_nodes_the_way_they_are_designed():
    ground = Formula(lambda x, y: 0.1 * x, 0.25)
    made = Perimeter([ZONE], ground, RULES)
    surface = DesignSurface(ground, (-5, -5, 12, 5))
    strip = surface.strip_cells({"Z": ZONE.line}, 2.0)
    surface.change[strip.row, strip.column] = 0.3
    for _ in range(2):  # the second time from what is kept
        fine = made._fine_ground("Z", surface)
        assert fine.ground_m == pytest.approx(0.1 * fine.chainage_m[:, None] + 0.3 * np.ones(fine.offset_m.size))
    assert made.levels("Z", surface) == pytest.approx(made.levels("Z") + 0.3)


def test_what_another_perimeter_has_solved_is_taken_over_for_zones_that_are_the_same():
    zones = [ZONE, replace(ZONE, zone_id="Y", line=BeamLine(5, 0, 12, 0), number=2)]
    raised = replace(zones[1], pairs=(replace(PAIR, tx_height_m=0.5),))
    first = Perimeter(zones, LEVEL, RULES)
    for zone in zones:
        first.hold(zone.zone_id, {"prone": np.full(first.levels(zone.zone_id).shape, 0.4)})
    then = Perimeter([zones[0], raised], LEVEL, RULES)
    then.take_over(first)
    assert set(then._own) == {"Z"} and then.own("Z")["prone"].max() == 0.4
    for other in (
        Perimeter(zones, Formula(lambda x, y: 0.0 * x), RULES),
        Perimeter(zones, LEVEL, replace(RULES, threshold=0.3)),
    ):
        other.take_over(first)
        assert other._own == {}


def test_unknown_ground_beside_the_line_is_as_high_as_the_nearest_known_one_of_its_row():
    gone = np.nan
    level = np.array([[gone, 1.0, 2.0, 3.0, gone], [gone, gone, 5.0, gone, gone], [1.0, gone, 2.0, gone, 4.0]])
    assert _filled(level.copy()).tolist() == [[1, 1, 2, 3, 3], [5, 5, 5, 5, 5], [1, 2, 2, 2, 4]]


@pytest.mark.parametrize("datum", [0.0, 300.0])
def test_movers_stand_on_the_ground_beside_the_beam_as_it_lies(monkeypatch, datum):
    """Level along the line; a bank of 0.4 m from 1.2 m to the left, a ditch of 0.6 m from there to the right."""

    def shape(y):
        return np.where(y > 1.2, 0.4, np.where(y < -1.2, -0.6, 0.0))

    asked = []

    def answer(requests):
        asked.extend(request for _, request in requests)
        return [NuisanceResponse(*np.zeros((2, 1, *request.around.ground_m.shape))) for _, request in requests]

    monkeypatch.setattr(nuisance, "look_at", answer)
    made = Perimeter([ZONE], Formula(lambda x, y: datum + shape(y) + 0.0 * x), RULES)
    nuisance_of(made, ["Z"], {"car": MOVERS["car"]}, 2.2)
    (request,) = asked
    across = np.linspace(-2.5, 2.5, 11)
    assert request.around.across_m == pytest.approx(np.broadcast_to(across, request.around.across_m.shape))
    assert request.around.ground_m == pytest.approx(datum + shape(across) * np.ones((13, 1)))
    # nothing is unknown where nothing is said to be
    assert (request.larger, request.aim_deg) == (0.0, 0.0)


def test_built_levels_are_off_by_their_tolerance_and_fill_settles_by_a_share_of_what_it_may():
    """Tolerances hold for nineteen of twenty: 1.96 standard deviations."""
    strip = Perimeter([ZONE], LEVEL, RULES).strip("Z")
    shape = strip.ground_m.shape
    rng = np.random.default_rng(4)
    cut = _Works(np.full(shape, -0.3), np.ones(shape, dtype=bool))
    off = np.array([cut.error(strip, Build(LEVEL, 0.05, 0.1), rng) for _ in range(300)])
    assert off.std() == pytest.approx(0.05 / 1.96, rel=0.1) and off.mean() == pytest.approx(0.0, abs=0.004)
    fill = _Works(np.where(np.arange(shape[1]) < 4, 0.02, 0.5) * np.ones(shape), np.ones(shape, dtype=bool))
    sunk = np.array([fill.error(strip, Build(LEVEL, 0.0, 0.1), rng) for _ in range(200)])
    # a thin fill can settle by its own depth at most; even between none and all of it
    assert sunk[..., 0].min() == pytest.approx(-0.02, abs=1e-3) and sunk[..., 0].max() == pytest.approx(0.0, abs=1e-3)
    assert sunk[..., -1].min() == pytest.approx(-0.1, abs=5e-3) and sunk[..., -1].mean() == pytest.approx(
        -0.05, abs=0.006
    )


def test_a_case_asks_for_no_floor_unless_it_is_told_to():
    made = Perimeter([ZONE], LEVEL, RULES)
    seen = []
    made._batching.look_at = lambda requests: seen.extend(requests) or [None] * len(requests)
    made.responses([Case(ZONE, made.strip("Z")), Case(ZONE, made.strip("Z"), floor=True)])
    assert [asked.floor for _, asked in seen] == [None, (RULES.floor_width_m, 0.2)]


def test_ground_taken_over_is_that_of_the_same_terrain_and_line_alone():
    """Level at 3 m, at 5 m, and a metre higher along a line moved there; works of 0.5 m lie on what is theirs."""
    low, high = Formula(lambda x, y: 3.0 + (y > 50.0), cell_m=0.25), Formula(lambda x, y: 5.0, cell_m=0.25)
    first = Perimeter([ZONE], low, RULES)
    assert (first.levels("Z") == 3.0).all() and (first.strip("Z").ground_m == 3.0).all()
    assert (first.with_zones({}, high).levels("Z") == 5.0).all() and (first.levels("Z", high) == 5.0).all()
    assert (first.with_zones({}, high).strip("Z").ground_m == 5.0).all()
    aside = first.with_zones({"Z": (replace(ZONE, line=BeamLine(0, 100, 6, 100)),)})
    assert (aside.levels("Z") == 4.0).all() and (aside.strip("Z").ground_m == 4.0).all()
    for terrain, bare in ((low, 3.0), (high, 5.0)):
        works = DesignSurface(terrain, (-20, -20, 20, 20), cell_m=0.5)
        rows, columns = np.mgrid[: works.change.shape[0], : works.change.shape[1]]
        works.change[rows.ravel(), columns.ravel()] = 0.5
        worked = first.with_zones({}, works)
        assert (worked.levels("Z") == bare + 0.5).all() and (worked.strip("Z").ground_m == bare + 0.5).all()
