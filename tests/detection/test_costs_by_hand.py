"""Which worlds are solved again to price what is not known, and the price: by hand. No beam is solved.

Red when a world that opens nothing new is taken before one that does, more are taken than are asked for, or a share of
worlds is another than theirs.
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
    judged = ZoneVerdicts({"prone": stations}, [], [{"prone": row} for row in opened], False)
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
