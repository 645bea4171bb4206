"""What a zone's grading is asked for and made of, on stand-ins and small strips.

Red when a station is asked for that no grading mends, a head is let move where it blinds, a lift is left out, or
works are counted or priced wrongly.
"""

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest

from geotools.corridor import BeamLine, StripGrid
from geotools.earthwork.demand import Demand, proof_of, reach_of, sight_line, straight_case, with_ends
from geotools.earthwork.disturb import Tolerances
from geotools.earthwork.group import ZoneGroup
from geotools.earthwork.limits import SightLine
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.earthwork.zones import strip_groups
from geotools.terrain.cells import strip_cells
from geotools.terrain.design import DesignSurface, StripCells
from tests.invented_ground import LOW, MAIN, Formula, zone

STATIONS = np.arange(0.0, 11.0)


def at(*places):
    return np.isin(STATIONS, places)


class Engine:
    """Stands in for the engine: a modulation by station, dead below 0.2; with headroom below 0.2 (1 + headroom)."""

    def __init__(self):
        self.grids = {"Z": SimpleNamespace(chainage_m=STATIONS, offset_m=np.array([-1.0, 0.0, 1.0]))}

    def dead(self, _, own, headroom=0.0):
        return {threat: m < 0.2 * (1.0 + headroom) for threat, m in own.items()}


def seen(low=(), **closer):
    """Modulation 0.5, 0.1 at the stations given, and what else is stated: value=[stations]."""
    made = np.where(at(*low), 0.1, 0.5)
    for name, places in closer.items():
        made = np.where(at(*places), float(name[1:]) / 100, made)
    return {"crawl": made, "walk": np.full(11, 0.9)}


def demand(hopeless=(), tight=(), edge=(), near=()):
    none = np.zeros(11, bool)
    return Demand(*({"crawl": at(*p), "walk": none} for p in (hopeless, tight, edge)), at(*near))


def stations(flags):
    return np.flatnonzero(flags).tolist()


def test_grading_is_asked_for_what_it_can_mend():
    zone_ = SimpleNamespace(zone_id="Z")
    asked = demand(hopeless=(1,), tight=(1, 2), edge=(1, 2, 3), near=(1, 2, 3, 4))
    own = seen((1, 5), v21=(2, 3, 6))
    made = proof_of(Engine(), zone_, own, [], asked, 0.0)
    assert stations(made.open) == [5] and stations(made.hopeless) == [1] and made.chainage is STATIONS
    # the headroom is to be kept beside spots of today alone, and not where straight ground has none either
    made = proof_of(Engine(), zone_, own, [], asked, 0.1)
    assert stations(made.open) == [3, 5]
    edges = [seen((2, 7)), seen((3, 8))]
    assert stations(proof_of(Engine(), zone_, own, edges, asked, 0.0).open) == [5, 7, 8]
    assert stations(proof_of(Engine(), zone_, None, edges, asked, 0.1).open) == [7, 8]
    assert not proof_of(Engine(), zone_, None, [seen((2,)), seen((3,))], asked, 0.1).dead.any()


class Straight(Engine):
    """A head blinds station 3 above 0.5 m and station 7 below 0.2 m, where no head above helps."""

    def levels(self, _):
        # a step in the middle: straight from post to post it is level
        return np.where((STATIONS > 3) & (STATIONS < 7), 0.4, 0.0)[:, None] * np.ones(3)

    def modulations(self, cases):
        # one strip of straight ground, the same for all
        (flat,) = {id(strip): strip for _, strip in cases}.values()
        assert (flat.ground_m == np.zeros((11, 3))).all() and flat.chainage_m is STATIONS
        self.asked = [tuple((p.tx_height_m, p.rx_height_m) for p in case.pairs) for case, _ in cases]
        made = []
        for pairs in self.asked:
            low = min(h for p in pairs for h in p)
            blind = (*((3,) if low > 0.5 else ()), *((7,) if low < 0.2 else ()))
            made.append(seen(range(11)) if pairs[0] == (0.91, 0.91) else seen(blind))
        return made


@pytest.mark.parametrize(
    ("limits", "span"),
    [((0.1, 1.0), (-0.1, 0.175)), ((0.2, 0.5), (-0.1, 0.2)), ((0.3, 0.3), (0, 0)), ((0.4, 2.0), (0, 0))],
)
def test_heads_may_move_as_far_as_they_blind_no_straight_ground(limits, span):
    engine, settings = (
        Straight(),
        SimpleNamespace(fixed=frozenset(), height_limits={"low": limits}, tolerances=Tolerances(heads_m=0.02)),
    )
    flat, moves, off = straight_case(engine, replace(zone("Z"), pairs=(LOW, MAIN)), settings)
    # 0.3 m: down by 0.2 blinds, by 0.1 does not; up by 0.7 and 0.35 blinds, by 0.175 does not
    assert moves == pytest.approx(span)
    assert stations(flat["crawl"] < 0.2) == []
    # both heads of both levels, each low or high: straight ground may be blind where levels are off against each other
    assert len(off) == 16
    tried = [
        tuple(round(h - o, 2) for p, o in zip(pairs, (0.3, 0.91), strict=True) for h in p)
        for pairs in engine.asked[-16:]
    ]
    assert sorted(tried) == sorted(product((-0.02, 0.02), repeat=4))
    held = straight_case(Straight(), replace(zone("Z"), pairs=(LOW,)), replace_limits(settings))
    assert held[1] == (0.0, 0.0) and held[2] == []


def replace_limits(settings):
    return SimpleNamespace(fixed=frozenset(), height_limits={}, tolerances=Tolerances(heads_m=0.0))


def test_the_line_the_ground_should_follow_by_hand():
    """A plane of 1 in 100 along and 0.1 across, seen by a beam from (0, 0) to (20, 0)."""
    surface = DesignSurface(Formula(lambda x, y: 50.0 + 0.01 * x + 0.1 * y), (-10, -10, 30, 10))
    line = BeamLine(0.0, 0.0, 20.0, 0.0)
    strip = surface.strip_cells({"Z": line}, 4.0)
    level = 50.0 + 0.01 * np.linspace(0.0, 20.0, 21)[:, None] + np.array([-9.0, 0.0, 9.0])
    told = sight_line(replace(zone("Z"), line=line), level, strip, 1.0, 0.02, (-0.1, 0.3))
    under = (np.abs(strip.y) <= 1.0) & (strip.x >= 0) & (strip.x <= 20.0) & strip.cells.movable
    assert told.cells.tolist() == np.flatnonzero(under).tolist() and len(told.cells) > 100
    assert told.fraction == pytest.approx(strip.x[under] / 20.0)
    assert told.ends == pytest.approx((50.0, 50.2)) and np.isinf(told.low).all()
    assert told.reach == (pytest.approx((49.9, 50.3)), pytest.approx((50.1, 50.5)))
    # what stands above the line today may stand a little higher, elsewhere the clearance holds
    assert told.high == pytest.approx(np.maximum(0.02, 0.1 * strip.y[under] + 0.05))
    assert reach_of(told, 1, True) == told.reach[1] and reach_of(told, 0, False) == (told.ends[0], told.ends[0])
    moved = with_ends(replace(zone("Z"), pairs=(LOW, MAIN)), told, np.array([50.1, 50.0]))
    assert (moved.pairs[0].tx_height_m, moved.pairs[0].rx_height_m) == pytest.approx((0.4, 0.1))
    assert moved.pairs[1] == MAIN


def grading_of(design, *, zones=(), cell=0.5) -> ZoneGrading:
    ground = np.zeros((6, 5))
    cells = strip_cells(ground, cell)
    strip = StripCells(*(np.zeros(30, int),) * 2, cells.place[:, 0], cells.place[:, 1], cells)
    return ZoneGrading(zones, strip, np.asarray(design, float), (), True, 1, "", None)


def test_volumes_of_works_by_hand():
    design = np.zeros(30)
    design[[3, 4, 5]], design[7] = (-0.2, 0.1, 0.3), 5e-5
    made = grading_of(design)
    assert made.volumes() == pytest.approx((0.05, 0.1 + 5e-5 / 4, 0.75, 0.3))
    assert made.volumes(np.arange(30) < 5) == pytest.approx((0.05, 0.025, 0.5, 0.2))
    assert made.volumes(np.zeros(30, bool)) == (0.0, 0.0, 0.0, 0.0)
    zones = tuple(
        replace(zone(name), line=line) for name, line in (("A", BeamLine(0, 0, 1, 0)), ("B", BeamLine(2, 0, 3, 0)))
    )
    both = replace(made, zones=zones)
    x = made.strip.x
    assert np.array_equal(both.own("A"), x <= 1.5) and np.array_equal(both.own("B"), x > 1.5)
    # on a strip that holds its worked cells in another order, and on one that does not
    order = np.arange(30)[::-1]
    other = StripCells(made.strip.row, made.strip.column, x[order], made.strip.y[order], made.strip.cells)
    assert made.on(other) == pytest.approx(np.where(np.abs(design) > 1e-6, design, 0.0)[order])
    assert (
        made.on(StripCells(made.strip.row[:29], made.strip.column[:29], x[6:], made.strip.y[6:], made.strip.cells))
        is None
    )


def settings(**given):
    return GradeSettings(GradingRules(Prices(set_head=10.0)), {"crawl": 0.1}, **given)


def test_heads_worth_moving_are_tried_from_the_cheapest():
    group = object.__new__(ZoneGroup)
    group.settings, group.zones = settings(), ["Z"]
    line = SightLine("Z", *(np.zeros(0),) * 4, (5.0, 5.0), ((4.9, 5.0), (4.8, 5.2)))
    rough = {frozenset({(0, 0), (0, 1)}): 30.0, frozenset({(0, 0)}): 45.0, frozenset({(0, 1)}): 35.0}
    group._rough = lambda heads: rough[heads]
    group.free_lines = [line]
    both, first, second = rough
    assert group.choices(1e9) == [(second, 45.0), (both, 50.0), (first, 55.0)]
    assert group.choices(55.0) == [(second, 45.0), (both, 50.0)] and group.choices(46.0) == [(second, 45.0)]
    assert group.choices(40.0) == []
    # earth and one head come to that already: of one head alone nothing is asked, for it moves no less earth
    rough = {both: 30.0}
    assert group.choices(40.0) == group.choices(35.0) == []
    rough = {both: 30.0, first: 45.0, second: 35.0}
    group.free_lines = [replace(line, reach=((5.0, 5.0), (5.0, 5.0)))]
    assert group.choices(1e9) == []
    group.free_lines = [replace(line, reach=((-3.0, -3.0), (5.0, 5.2)))]
    assert group.choices(1e9) == [(second, 45.0)]


def test_only_the_ends_of_free_heads_are_free():
    group = object.__new__(ZoneGroup)
    line = SightLine("Z", *(np.zeros(0),) * 4, (5.0, 6.0), ((4.0, 5.5), (5.0, 6.5)))
    group.free_lines = [line, replace(line, ends=(7.0, 8.0))]
    told = group._lines(frozenset({(0, 1), (1, 0)}))
    assert told[0].reach == ((5.0, 5.0), (5.0, 6.5)) and told[1].reach == ((4.0, 5.5), (8.0, 8.0))


def test_zones_whose_strips_overlap_are_graded_together_four_at_most():
    chain = [zone(f"Z{i}", 20.0 * i, 21.0) for i in range(6)] + [zone("far", 500.0, 20.0)]
    assert [[z.zone_id for z in g] for g in strip_groups(chain, 2.0)] == [
        ["Z0", "Z1", "Z2", "Z3"],
        ["Z4", "Z5"],
        ["far"],
    ]
    assert [len(g) for g in strip_groups(chain, 2.0, most=1)] == [1] * 7
    assert strip_groups([], 2.0) == []
    beside = [zone("A", 0.0, 20.0), replace(zone("B"), line=BeamLine(0.0, 5.0, 20.0, 5.0))]
    assert len(strip_groups(beside, 2.0)) == 2 and len(strip_groups(beside, 3.0)) == 1
    assert StripGrid.over(BeamLine(0, 0, 4, 0), 1.0, 1.0).chainage_m.size == 5
    assert settings(tolerances=Tolerances(0.0, 0.0)).clear_words == "clear in a re-run"
    assert (
        settings(tolerances=Tolerances(0.03, 0.05)).clear_words
        == "clear in a re-run, built within +-3 cm, settled 5 cm"
    )


def test_a_head_may_move_as_far_as_those_above_it_see_what_it_misses():
    """Below 0.2 m the low head is blind at station 7, where the main heads see: it may go down to its limit."""

    class Above(Straight):
        def modulations(self, cases):
            made = super().modulations(cases)
            return [
                {t: np.where(at(7), 0.5, 0.1) for t in m} if case.pairs[0] == MAIN else m
                for (case, _), m in zip(cases, made, strict=True)
            ]

    settings = SimpleNamespace(fixed=frozenset(), height_limits={"low": (0.1, 1.0)}, tolerances=Tolerances(heads_m=0.0))
    _, moves, _ = straight_case(Above(), replace(zone("Z"), pairs=(LOW, MAIN)), settings)
    assert moves == pytest.approx((-0.2, 0.175))
