"""Which worlds are solved again to price what is not known: by hand. No beam is solved.

Red when a world that opens nothing new is taken before one that does, or more are taken than are asked for.
"""

import numpy as np

from geotools.detection.sensitivity import _telling


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
