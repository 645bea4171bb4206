"""Which worlds are solved again to price what is not known, and the price: by hand. No beam is solved.

Red when a world that opens nothing new is taken before one that does, more are taken than are asked for, a share of
worlds is another than theirs, or a world is solved again that no verdict hangs on.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.detection import sensitivity
from geotools.detection.sensitivity import _telling
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import StationVerdicts, ZoneVerdicts


def worlds(*rows):
    """``#`` is a station that a world opens."""
    return {"prone": np.array([[letter == "#" for letter in row] for row in rows])}


def test_the_world_that_opens_most_comes_first_and_what_it_opens_counts_half_from_then_on():
    opened = worlds("##########.....", "########.......", "..........#####", "...............")
    # ten, then five new ones before eight that count half; what is left of the second comes last, nothing never
    assert [_telling(opened, most) for most in (1, 2, 3, 4)] == [[0], [0, 2], [0, 1, 2], [0, 1, 2]]
    # eight old ones at a half are as many as four new ones and more than three
    assert _telling(worlds("##########.....", "########.......", "..........###.."), 2) == [0, 1]
    # opened twice counts a quarter: three halves are more than four quarters
    thrice = worlds("######", "####..", "###...", "..####")
    assert _telling(thrice, 2) == [0, 1] and _telling(thrice, 3) == [0, 1, 3]


def test_stations_of_every_threat_count_together():
    opened = {**worlds("##....", "...###"), "crawl": np.array([[True] * 3 + [False] * 3, [False] * 6])}
    assert _telling(opened, 1) == [0]
    assert _telling({}, 5) == [] and _telling(worlds("....", "...."), 5) == []


def test_a_source_costs_the_stations_whose_worlds_become_few_enough_without_it():
    """Twenty worlds, five stations a metre apart; the second is open in two of them, a share of 0.1.

    Without the survey's error it stays open in one of the two: 0.05 is left, which is few enough for detected.
    The fourth stays open in both of its two.
    """
    opened = np.zeros((20, 5), dtype=bool)
    opened[[3, 7], 1] = opened[[4, 8], 3] = True
    none = np.zeros(5, dtype=bool)
    stations = StationVerdicts(none, opened.mean(axis=0), none, True, none)
    judged = ZoneVerdicts({"prone": stations}, [], [{"prone": row} for row in opened], False, 0.0 * opened)
    left = opened.copy()
    left[3, 1] = False
    perimeter = SimpleNamespace(
        counted=lambda _: ~none,
        grids={"Z": SimpleNamespace(chainage_m=np.arange(5.0))},
        dead=lambda _, own: own,
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            sensitivity, "without_each", lambda p, z, u, tried: {"survey": [{"prone": left[n]} for n in tried]}
        )
        found = {cost.source: cost.unproven_m for cost in sensitivity.costs(perimeter, "Z", Unknowns(None), judged)}
    assert found == {**dict.fromkeys(sensitivity.SOURCES, 0.0), "survey": 1.0}


def asked_again(opened, **given):
    """Worlds that are solved again for one threat, and what each source costs; without the survey all are shut."""
    none = np.zeros(opened.shape[1], dtype=bool)
    flags = {name: given.get(name, none) for name in ("dead", "law", "missed")}
    stations = StationVerdicts(flags["dead"], opened.mean(axis=0), flags["law"], True, flags["missed"])
    judged = ZoneVerdicts({"prone": stations}, [], [{"prone": row} for row in opened], False, 0.0 * opened)
    perimeter = SimpleNamespace(
        counted=lambda _: given.get("counted", ~none),
        grids={"Z": SimpleNamespace(chainage_m=np.arange(float(none.size)))},
        dead=lambda _, own: own,
    )
    asked = []

    def without(perimeter, zone_id, unknowns, tried):
        asked.append(list(tried))
        return {"survey": [{"prone": none} for _ in tried]}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sensitivity, "without_each", without)
        found = sensitivity.costs(perimeter, "Z", Unknowns(None), judged)
    return asked, {cost.source: cost.unproven_m for cost in found if cost.unproven_m}


def test_worlds_are_solved_again_only_where_a_verdict_hangs_on_them():
    """Twenty worlds, five stations: world 3 opens the first two, worlds 7 and 8 the fourth.

    A share of one in twenty is few enough for detected, so that nothing hangs on world 3; of the fourth it is a tenth.
    Where a dip that the survey missed, or the receiver's law, leaves the fourth unproven as well, no world helps it.
    """
    opened = np.zeros((20, 5), dtype=bool)
    opened[3, :2] = opened[[7, 8], 3] = True
    fourth = np.arange(5) == 3
    assert asked_again(opened) == ([[7, 8]], {"survey": 1.0})
    for reason in ("law", "missed"):
        # known exactly, law and spacing do not make it detected either: its worlds are still too many
        assert asked_again(opened, **{reason: fourth}) == ([], {})
    assert asked_again(opened, dead=fourth) == ([], {})
    assert asked_again(opened, counted=~fourth) == ([], {})
    # the law costs what is open in few enough worlds
    assert asked_again(opened[:, :3], law=np.array([False, True, False])) == ([], {"law": 1.0})
