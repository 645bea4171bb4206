"""Verdicts, certainty, what is not known and the search of heights, on stand-ins and by hand.

Red when a verdict is given that its draws do not bear, a quantile or a limit is off, or heights are chosen that another
pair beats.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import LineString, box

from geotools.beam import HEAD_TYPES
from geotools.corridor import BeamLine
from geotools.detection import unknowns as unknowns_of
from geotools.detection.accuracy import Accuracy
from geotools.detection.certainty import _merged, _pieces, certainty_of, confident_weakest
from geotools.detection.height_search import levels_that_may_move, search_heights
from geotools.detection.stretches import stretches
from geotools.detection.unknowns import Build, Unknowns, without_each
from geotools.detection.verdicts import StationVerdicts, judge_stations
from geotools.plan.model import BeamPair, FenceChain, Zone
from tests.detection.test_silent_strips_by_hand import ZONES, made

PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)


def test_certainty_by_hand():
    assert [certainty_of(p) for p in (0.95, 0.949, 0.5, 0.499)] == ["certain", "likely", "likely", "cannot_tell"]
    at = np.arange(20.0)
    assert _merged([(0, 1), (4, 5), (9, 9)], at, 4.0) == [(0, 5), (9, 9)] and _merged([], at, 3.0) == []
    assert _merged([(0, 1), (4, 5)], at, 3.0) == [(0, 1), (4, 5)]
    assert _pieces((2, 12), at, 5.0) == [(2, 7), (7, 12)] and _pieces((2, 2), at, 5.0) == [(2, 2)]
    assert _pieces((2, 13), at, 5.0) == [(2, 5), (5, 9), (9, 13)]


@pytest.mark.parametrize("count", [1, 2, 20, 21, 40, 41])
def test_the_weakest_of_a_zone_with_confidence_is_the_lower_quantile(count):
    rng = np.random.default_rng(count)
    values = rng.permutation(count) / 100.0

    def weakest_of(zone_id, threat, own, most):
        return min(own, most)

    def easiest_steps(zone_id, owns):
        return {"crawl": np.array(owns, float) * rng.uniform(0.2, 1.0, len(owns))}  # never above what a way meets

    stand_in = SimpleNamespace(
        rules=SimpleNamespace(targets={"crawl": None}), weakest_of=weakest_of, easiest_steps=easiest_steps
    )
    assert confident_weakest(stand_in, "Z", [])["crawl"] is None
    found = confident_weakest(stand_in, "Z", list(values))["crawl"]
    assert found == pytest.approx(np.quantile(values, 0.05, method="lower"))
    assert confident_weakest(stand_in, "Z", [np.inf] * count)["crawl"] is None


def test_levels_measured_again_count_where_they_lie_near_the_strip():
    line, strip = BeamLine(0, 0, 20, 0), SimpleNamespace(offset_m=np.array([-2.0, 0.0, 2.0]))
    xy = np.array([(-9.9, 0), (-10.1, 0), (29.9, 0), (30.1, 0), (5, 11.9), (5, -12.1), (5, 1)], float)
    known = SimpleNamespace(xy=xy, own_sigma_m=0.02)
    unknowns = Unknowns(survey=Accuracy(0.05, correlation_m=5.0), levels=known)
    made = unknowns.measured(line, strip)
    assert made.chainage_m.tolist() == [-9.9, 29.9, 5.0, 5.0] and made.offset_m.tolist() == [0.0, 0.0, 11.9, 1.0]
    assert made.noise == pytest.approx(0.16)
    assert replace(unknowns, levels=SimpleNamespace(xy=xy, own_sigma_m=0.0)).measured(line, strip).noise == 1e-6
    assert replace(unknowns, levels=None).measured(line, strip) is None
    assert replace(unknowns, levels=SimpleNamespace(xy=xy[1:2], own_sigma_m=0.1)).measured(line, strip) is None
    assert unknowns.correlation_m == 5.0 and Unknowns(survey=None).correlation_m == 10.0
    assert replace(unknowns, build=Build(None)).correlation_m == 4.0
    assert replace(unknowns, survey=Accuracy(0.05, correlation_m=3.0), build=Build(None)).correlation_m == 3.0


def test_of_equal_heights_the_nearest_to_todays_are_taken():
    def search(dead, now=(0.9, 0.9), **given):
        return search_heights(lambda pairs: [dead(*p) for p in pairs], now, (0.3, 1.2), **given)

    equal = search(lambda a, b: 5.0 if (a, b) == (0.9, 0.9) else 2.0)
    assert sorted((equal.tx_height_m, equal.rx_height_m)) in (
        [0.85, 0.9],
        [0.9, 0.95],
        [0.8, 0.9],
        [0.9, 1.0],
        [0.85, 0.85],
    )
    assert abs(equal.tx_height_m - 0.9) + abs(equal.rx_height_m - 0.9) == pytest.approx(0.05)
    assert (equal.dead_length_m, equal.dead_length_now_m) == (2.0, 5.0)
    uneven = search(lambda a, b: 5.0 if (a, b) == (0.9, 0.6) else 2.0, (0.9, 0.6))
    assert abs(uneven.tx_height_m - 0.9) + abs(uneven.rx_height_m - 0.6) == pytest.approx(0.05)
    # one head alone, one up and one down: the search goes each way by itself
    for best in ((0.5, 1.0), (1.0, 0.5), (0.9, 0.4), (0.35, 0.9)):
        found = search(lambda a, b, best=best: 10 * (abs(a - best[0]) + abs(b - best[1])))
        assert (found.tx_height_m, found.rx_height_m) == pytest.approx(best, abs=0.051)
        assert found.dead_length_m == found.tried[:, 2].min() and (found.tried[:, :2] >= 0.3).all()
        assert (found.tried[:, :2] <= 1.2).all()
    # it ends only where none of the eight pairs around, 0.05 m away, is better: all of them were looked at
    found = search(lambda a, b: 10 * ((a - 0.62) ** 2 + (b - 0.88) ** 2))
    tried = {tuple(pair) for pair in np.round(found.tried[:, :2], 4)}
    around = [(s, t) for s in (-0.05, 0.0, 0.05) for t in (-0.05, 0.0, 0.05)]
    assert {(round(found.tx_height_m + s, 4), round(found.rx_height_m + t, 4)) for s, t in around} <= tried
    enough = search(lambda a, b: 10 * max(a - 0.6, 0.0), enough_m=1.0)
    assert enough.dead_length_m <= 1.0 and enough.tx_height_m >= 0.6
    low = SimpleNamespace(top_m=0.8)
    zone = SimpleNamespace(pairs=[SimpleNamespace(level=n) for n in ("low", "main", "top")])
    stand_in = SimpleNamespace(
        rules=SimpleNamespace(targets={"crawl": low, "prone": SimpleNamespace(top_m=0.3)}), zones={"Z": zone}
    )
    assert levels_that_may_move(stand_in, "Z", {"low": (0.2, 1.0), "main": (0.8, 1.0), "other": (0.1, 1)}) == ["low"]


def test_each_source_that_is_not_known_exactly_is_left_out_by_itself(monkeypatch):
    drawn = SimpleNamespace(ground=1)
    monkeypatch.setattr(unknowns_of, "_drawn", lambda *_: drawn)
    monkeypatch.setattr(unknowns_of.Drawing, "solved", lambda self, worlds: [w.left_out for w in worlds])
    monkeypatch.setattr(
        unknowns_of, "replace", lambda one, **given: SimpleNamespace(left_out=sorted(given)) if one is drawn else one
    )
    drawn.ground_m, drawn.moves_m, drawn.aim_deg = np.zeros((2, 3)), np.zeros(1), np.zeros(1)
    strip = SimpleNamespace(strip=lambda _: SimpleNamespace(ground_m=np.zeros((2, 3))))

    def asked(**given):
        all_known = {"survey": None, "head_m": 0.0, "aim_deg": 0.0, "body": 0.0, "mirror_grass_m": 0.0}
        found = without_each(strip, "Z", Unknowns(**{**all_known, **given}), range(2))
        assert all(len(worlds) == 2 for worlds in found.values())
        return {source: worlds[0] for source, worlds in found.items()}

    assert asked() == {} and asked(survey=Accuracy(0.0)) == {}
    assert asked(survey=Accuracy(0.05)) == {"survey": ["ground_m"]}
    assert asked(body=0.1) == {"body": ["taller", "wider"]} and asked(mirror_grass_m=0.1) == {"surface": ["mirror_m"]}
    assert asked(head_m=0.02) == asked(aim_deg=0.5) == {"heads": ["aim_deg", "moves_m"]}


def verdicts_of(**given):
    flags = {name: np.array(given.get(name, [0] * 6), bool) for name in ("dead", "law", "missed")}
    return StationVerdicts(
        flags["dead"], np.array(given.get("share", [0.0] * 6)), flags["law"], given.get("known", True), flags["missed"],
        0.0,
        None if "beside" not in given else np.array(given["beside"], bool),
        None if "answered" not in given else np.array(given["answered"], bool),
    )  # fmt: skip


def test_a_verdict_says_no_more_than_is_known():
    made = verdicts_of(
        dead=[1, 0, 0, 0, 0, 0], missed=[0, 1, 0, 0, 0, 0], share=[0.2, 0.01, 0.06, 0.05, 0.04, 0.02],
        beside=[0, 0, 0, 1, 0, 0], law=[0, 0, 0, 0, 1, 0],
    )  # fmt: skip
    assert made.detected().tolist() == [False] * 5 + [True]
    assert [made.verdict(r)[::2] for r in range(6)] == [
        ("undetected", ""), ("unproven", "survey_spacing"), ("unproven", "not_known_exactly"),
        ("unproven", "field_3d"), ("unproven", "receiver_law"), ("detected", ""),
    ]  # fmt: skip
    assert [made.verdict(r)[1] for r in range(6)] == pytest.approx([0.5, 0.99, 0.94, 0.95, 0.96, 0.98])
    assert verdicts_of(dead=[1] * 6, share=[0.8] * 6).verdict(0)[1] == 0.8
    blind = verdicts_of(known=False, dead=[1, 0, 0, 0, 0, 0])
    assert (
        not blind.detected().any()
        and blind.verdict(0) == ("undetected", None, "")
        and blind.verdict(1)[2] == "survey_unstated"
    )
    assert verdicts_of(answered=[1, 0, 1, 1, 1, 0]).detected().tolist() == [True, False, True, True, True, False]
    holes = verdicts_of(answered=[1, 0, 1, 1, 1, 1], dead=[0, 1, 0, 0, 0, 0])
    assert holes.verdict(1) == ("unproven", None, "no_ground") and holes.detected().tolist() == [
        True,
        False,
        *[True] * 4,
    ]
    assert verdicts_of(share=[0.05] * 6).detected().all() and not verdicts_of(share=[0.051] * 6).detected().any()


def test_nothing_is_said_beside_a_strip_whose_ground_is_not_known():
    """From 16 m on the zone lies beside one; and of a zone whose own ground is not known no dip has a depth."""
    perimeter = made(box(15.9, -1, 25, 1), zones=ZONES[:1])
    (threat, *_), at = perimeter.rules.targets, perimeter.grids["Z1"].chainage_m
    said = judge_stations(perimeter, "Z1", Unknowns(None, draws=0)).stations[threat]
    assert np.array_equal(said.answered, at < 15.9)
    assert [said.verdict(row)[2] == "no_ground" for row in range(at.size)] == (at >= 15.9).tolist()
    assert StationVerdicts.unanswered(4).missed_m == 0.0


def test_the_fence_is_cut_where_the_verdict_changes_and_its_pieces_add_up():
    fence = LineString([(0, 2), (30, 2)])
    zones = (
        Zone("A", BeamLine(0, 0, 12, 0), (PAIR,), "F"),
        Zone("B", BeamLine(24, 0, 10, 0), (PAIR,), "F", forward=False),
    )
    a, b = verdicts_of(dead=[0, 1, 1, 0, 0, 0]), verdicts_of(dead=[0, 0, 0, 0, 0, 1])
    made = stretches(FenceChain("F", zones), fence, ["crawl"], {"A": {"crawl": a}, "B": {"crawl": b}})
    assert sum(s.to_m - s.from_m for s in made) == pytest.approx(30.0)
    assert [s.from_m for s in made[1:]] == [s.to_m for s in made[:-1]]
    assert all(s.line.length == pytest.approx(s.to_m - s.from_m) for s in made)
    # stations of A every 2.4 m, of B every 2.8 m from 24 m back; A is taken over by B at 11 m, beyond 24 m is no beam
    said = [(s.zone_id, s.verdict, s.from_m, s.to_m) for s in made]
    assert [one[:2] for one in said] == [
        ("A", "detected"),
        ("A", "undetected"),
        ("A", "detected"),
        ("B", "undetected"),
        ("B", "detected"),
        ("", "no_beam"),
    ]
    cuts = [one[2] for one in said[1:]]
    assert cuts == pytest.approx([1.2, 6.0, 11.0, 24 - 2.8 * 4.5, 24.0], abs=0.8)
    none = stretches(FenceChain("F", ()), fence, ["crawl"], {})
    assert [(s.verdict, s.from_m, s.to_m) for s in none] == [("no_beam", 0.0, 30.0)]
