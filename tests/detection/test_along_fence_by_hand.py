"""Which zone answers for which metre of fence, what a walk test cuts out of it, and the zones of a plan in their order.

On stand-ins and by hand, no beam is solved. Red when fence without a beam is given one, a piece has no length, or a
ring is taken for an open line.
"""

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString

from geotools.beam import HEAD_TYPES
from geotools.corridor import BeamLine
from geotools.detection import chains, findings
from geotools.detection.chains import chains_of
from geotools.detection.stretches import fence_edges, places_along, run_back, stretches
from geotools.detection.verdicts import StationVerdicts
from geotools.detection.walked import WalkedCrossing, after_walk
from geotools.errors import InputError, StepError
from geotools.plan.model import BeamPair, FenceChain, Zone

PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)


def zone(name, line, number=1, *, forward=True):
    return Zone(name, line if forward else line.reversed(), (PAIR,), "F", number, forward)


A, B = zone("A", BeamLine(0, 0, 12, 0), 1), zone("B", BeamLine(10, 0, 24, 0), 2, forward=False)
CHAIN = FenceChain("F", (A, B))


@pytest.mark.parametrize("before", [0.0, 0.6, 0.99])
@pytest.mark.parametrize("behind", [0.0, 0.6, 0.99])
def test_a_post_less_than_a_metre_inside_its_fences_end_stands_at_it(before, behind):
    fence = LineString([(-before, 2), (24 + behind, 2)])
    found = places_along(CHAIN, fence, np.array([0.01, fence.length - 0.01]))
    assert [name for name, _ in found] == ["A", "B"]
    # the far end of B is its transmitter's
    assert [share for _, share in found] == pytest.approx([0.0, 0.0], abs=1e-3)


def test_fence_that_goes_on_for_more_has_no_beam_at_that_end_alone():
    fence = LineString([(-1.5, 2), (24.5, 2)])
    along = np.array([0.1, 1.4, 1.6, 25.9])
    assert [name for name, _ in places_along(CHAIN, fence, along)] == [None, None, "A", "B"]
    fence = LineString([(-0.5, 2), (26, 2)])
    along = np.array([0.1, 24.4, 24.6, 26.4])
    assert [name for name, _ in places_along(CHAIN, fence, along)] == ["A", "B", None, None]


def test_zones_take_over_halfway_through_their_overlap_and_each_counts_from_its_transmitter():
    fence = LineString([(0, 2), (24, 2)])
    found = places_along(CHAIN, fence, np.array([0.0, 6.0, 10.9, 11.1, 17.0, 24.0]))
    assert [name for name, _ in found] == ["A", "A", "A", "B", "B", "B"]
    assert [share for _, share in found] == pytest.approx([0, 6 / 12, 10.9 / 12, 12.9 / 14, 7 / 14, 0])
    assert places_along(FenceChain("F", ()), fence, np.array([1.0, 2.0])) == [(None, 0.0)] * 2


def test_a_fence_is_looked_at_in_pieces_of_a_quarter_of_a_metre_at_most():
    for length, pieces in ((0.1, 1), (0.25, 1), (0.26, 2), (10.0, 40), (10.01, 41)):
        edges = fence_edges(LineString([(0, 0), (length, 0)]))
        assert edges == pytest.approx(np.linspace(0.0, length, pieces + 1))


def test_fence_without_a_beam_is_no_answer_of_a_zone():
    """Nothing of what is said beside a beam, such as a field solved in three dimensions, is said of it."""
    fence = LineString([(-5, 2), (24, 2)])
    flags = np.zeros(6, bool)
    said = StationVerdicts(flags, np.zeros(6), flags, True, flags, 0.07, flags, None)
    made = stretches(CHAIN, fence, ["prone"], {"A": {"prone": said}, "B": {"prone": said}})
    assert [(s.zone_id, s.verdict, s.in_3d, s.missed_m) for s in made] == [
        ("", "no_beam", False, 0.0),
        ("A", "detected", True, 0.07),
        ("B", "detected", True, 0.07),
    ]
    assert [s.from_m for s in made] == pytest.approx([0.0, 5.0, 16.0], abs=0.13) and made[-1].to_m == 29.0
    assert made[0].confidence is None


def yard(apart):
    return FenceChain(
        "F",
        (
            zone("out", BeamLine(5, 20, 55, 20), 1),
            zone("back", BeamLine(55, 20 + apart, 5, 20 + apart), 2),
            zone("end", BeamLine(4, 21, 4, 30), 3),
        ),
        closed=True,
    )


@pytest.mark.parametrize(("apart", "there_and_back"), [(0.5, True), (3.9, True), (4.1, False)])
def test_beams_there_and_back_enclose_nothing_less_than_four_metres_apart(apart, there_and_back):
    assert run_back(yard(apart)) == (["out", "back"] if there_and_back else [])
    assert run_back(replace(yard(apart), closed=False)) == []
    fence = LineString([(5, 18), (55, 18)])
    assert (places_along(yard(apart), fence, np.array([25.0])) == [(None, 0.0)]) == there_and_back


def test_beams_that_part_or_run_the_same_way_are_not_there_and_back():
    """Beside each other for more than half of their length, and within 25 degrees of opposite: 0.906 is the cosine."""

    def ring(other):
        one, end = zone("one", BeamLine(0, 0, 50, 0)), zone("x", BeamLine(0, 60, 9, 60), 3)
        return run_back(FenceChain("F", (one, zone("two", other, 2), end), closed=True))

    assert ring(BeamLine(0, 2, 50, 2)) == []
    # of the places at 0.1, 0.3, 0.5 of the way, three of five: from 0 to 26 m
    assert ring(BeamLine(26, 2, 0, 2)) == ["one", "two"]
    # two of five on the long one; all of the short one
    assert ring(BeamLine(16, 2, 0, 2)) == ["two"]
    # crossing: near each other at one place alone
    assert ring(BeamLine(50, 12, 0, -12)) == []


def rows_of(*pieces):
    keep = ("cause", "confidence", "conditional_on", "settle", "model_verdict", "model_cause", "model_confidence")
    made = []
    for number, (a, b, verdict) in enumerate(pieces):
        row = {"verdict_id": f"F-{number}", "fence_id": "F", "threat": "prone", "from_m": a, "to_m": b}
        row |= {"zone_id": "A" if a < 11 else "B", "verdict": verdict, "basis": "model", **dict.fromkeys(keep)}
        row |= {"geometry": LineString([(a, 2), (b, 2)]), "missed_m": 0.0, "in_3d": False}
        made.append(row)
    return made


def test_a_walk_test_cuts_the_fence_into_pieces_that_join_and_have_a_length():
    """Whatever the verdicts at both ends of the fence."""
    fence = LineString([(0, 2), (24, 2)])
    for pieces in (
        [(0.0, 11.0, "detected"), (11.0, 24.0, "undetected")],
        [(0.0, 11.0, "undetected"), (11.0, 24.0, "detected")],
        [(0.0, 24.0, "detected")],
    ):
        crossings = [WalkedCrossing("A", "prone", 4.0, detected=False)]
        made = [r for r in after_walk(rows_of(*pieces), [CHAIN], {"F": fence}, crossings, {}) if r["threat"] == "prone"]
        assert made[0]["from_m"] == 0.0 and made[-1]["to_m"] == 24.0
        assert all(one["to_m"] == other["from_m"] for one, other in pairwise(made))
        assert all(row["to_m"] - row["from_m"] >= 0.25 - 1e-9 for row in made)
        assert all(r["geometry"].length == pytest.approx(r["to_m"] - r["from_m"]) for r in made)
        assert any(row["cause"] == "walk_missed" for row in made) == (pieces[0][2] == "detected")


SQUARE = [(0, 0), (30, 0), (30, 30), (0, 30), (0, 0)]


def planned(lines, *, gone=(), geometry=SQUARE, side="inside"):
    """Chains of a plan whose zones stand on these lines; those that are gone have no beams."""
    names = [f"Z{number}" for number in range(len(lines))]
    standing = [zone(name, line) for name, line in zip(names, lines, strict=True) if name not in gone]
    zones = gpd.GeoDataFrame(
        {
            "zone_id": names,
            "fence_id": "F",
            # as a person may have left them: in no order
            "number": range(len(lines)),
            "start_role": ["transmitter" if number % 2 == 0 else "receiver" for number in range(len(lines))],
            "locked": ["yes" if number == 1 else None for number in range(len(lines))],
        }
    ).iloc[::-1]
    fences = gpd.GeoDataFrame({"fence_id": ["F"]}, geometry=[LineString(geometry)])
    site = SimpleNamespace(layout=SimpleNamespace(side=side))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(chains, "zones_of", lambda site, beams: standing)
        return chains_of(site, zones, zones.iloc[:0], fences)


TRIANGLE = [BeamLine(2, 2, 28, 2), BeamLine(28, 2, 15, 28), BeamLine(15, 28, 2, 2)]


def test_zones_come_in_the_order_of_the_fence_with_their_roles_and_locks():
    (chain,) = planned([BeamLine(2, 2, 28, 2), BeamLine(28, 2, 28, 28), BeamLine(28, 28, 2, 28), BeamLine(2, 28, 2, 2)])
    assert [one.zone_id for one in chain.zones] == ["Z0", "Z1", "Z2", "Z3"]
    assert [one.forward for one in chain.zones] == [True, False, True, False]
    assert [one.locked for one in chain.zones] == [False, True, False, False]
    assert [one.number for one in chain.zones] == [0, 1, 2, 3]
    assert (chain.fence_id, chain.closed, chain.inside_left) == ("F", True, True)


def test_a_ring_is_closed_with_three_zones_and_not_with_two_or_with_one_missing():
    forward = [TRIANGLE[0], TRIANGLE[1].reversed(), TRIANGLE[2]]
    assert planned(forward)[0].closed
    assert not planned(forward, gone=["Z1"])[0].closed
    assert not planned(forward[:2])[0].closed
    # one that ends far from where it begins
    assert not planned([TRIANGLE[0], TRIANGLE[1].reversed(), BeamLine(15, 28, 30, 60)])[0].closed
    # the fence itself is open
    assert not planned(forward, geometry=SQUARE[:4])[0].closed
    with pytest.raises(StepError, match="no zone with beams"):
        planned(forward, gone=["Z0", "Z1", "Z2"])


def test_fence_before_the_middle_of_a_chain_has_no_beam_where_the_first_zone_does_not_reach_it():
    """An open chain of two: beside the first zone's inner end, where only fence of its own neighbour lies."""
    fence = LineString([(-3, 2), (24, 2)])
    found = places_along(CHAIN, fence, np.array([0.5, 2.5, 8.0]))
    assert found[:2] == [(None, 0.0)] * 2 and found[2] == ("A", pytest.approx(5 / 12))
    # in a ring no end is loose: past a beam there is none
    ring = FenceChain("F", (A, B, zone("C", BeamLine(24, 9, 0, 9), 3)), closed=True)
    assert places_along(ring, fence, np.array([0.5]))[0][1] >= 0.0


@pytest.mark.parametrize(
    ("headings", "closed", "forward", "turns"),
    [
        ((0, 90, 90), False, True, (90.0, 0.0)),
        ((0, 90, 90), False, False, (0.0, 90.0)),
        ((350, 10, 190), False, True, (20.0, 180.0)),
        ((10, 350, 171), False, True, (20.0, 179.0)),
        ((0, 45.5, 315), False, True, (45.5, 90.5)),
    ],
)
def test_a_chain_turns_by_the_angle_between_its_zones_the_shorter_way(headings, closed, forward, turns):
    """Azimuths from north, clockwise; ends by transmitter and receiver."""
    zones, x, y = [], 0.0, 0.0
    for number, heading in enumerate(headings):
        to = x + 20 * np.sin(np.radians(heading)), y + 20 * np.cos(np.radians(heading))
        zones.append(zone(f"Z{number}", BeamLine(x, y, *to), number, forward=forward or number != 1))
        x, y = to
    assert findings._bends(tuple(zones), closed, 1) == pytest.approx(turns)
    first, last = (findings._bends(tuple(zones), closed, place) for place in (0, 2))
    assert np.isnan(first[0]) and not np.isnan(first[1]) and np.isnan(last[1]) and not np.isnan(last[0])
    ring = findings._bends(tuple(zones), True, 0)
    assert ring[0] == pytest.approx(abs((headings[0] - headings[2] + 180) % 360 - 180))


def test_zones_without_ground_are_named_to_whoever_listens(monkeypatch):
    made = SimpleNamespace(zones={"A": A, "B": B})
    monkeypatch.setattr(chains, "chains_of", lambda *given: [CHAIN])
    monkeypatch.setattr(chains, "rules_of", lambda *given: None)
    monkeypatch.setattr(chains, "Perimeter", SimpleNamespace(of=lambda *given: made))
    monkeypatch.setattr(chains, "zones_without_ground", lambda perimeter: {"A": "no ground under A"})
    monkeypatch.setattr(chains, "answerable", lambda perimeter, listed, left_out: (perimeter, left_out))
    told = []
    found = chains.perimeter_of(None, lambda schema: None, None, told.append)
    assert told == ["no ground under A"] and found == (made, {"A": "no ground under A"})


@pytest.mark.parametrize(("left_out", "warned"), [("A", False), ("AB", True), ("AB", False)])
def test_a_plan_without_ground_is_refused_where_nobody_listens_or_nothing_is_left(monkeypatch, left_out, warned):
    def refuse():
        raise InputError("no ground")

    made = SimpleNamespace(zones={"A": A, "B": B}, check_ground=refuse)
    monkeypatch.setattr(chains, "chains_of", lambda *given: [CHAIN])
    monkeypatch.setattr(chains, "rules_of", lambda *given: None)
    monkeypatch.setattr(chains, "Perimeter", SimpleNamespace(of=lambda *given: made))
    monkeypatch.setattr(chains, "zones_without_ground", lambda perimeter: dict.fromkeys(left_out, "no ground"))
    with pytest.raises(InputError, match="no ground"):
        chains.perimeter_of(None, lambda schema: None, None, [].append if warned else None)


def test_a_short_beam_beside_a_long_one_is_not_there_and_back_for_the_length_of_the_other():
    """Thirty degrees off opposite, all of it within four metres: the directions count, however long the beams are."""
    one, end = zone("one", BeamLine(0, 0, 50, 0)), zone("x", BeamLine(0, 60, 9, 60), 3)
    aside = zone("two", BeamLine(20, 0.5, 20 - 6 * 0.866, 0.5 + 6 * 0.5), 2)
    assert run_back(FenceChain("F", (one, aside, end), closed=True)) == []
