"""Lengths of fence by verdict for each zone, on stretches worked by hand; red where each zone goes through all rows."""

import numpy as np
import pandas as pd
import pytest

from geotools.steps.explore import lengths
from geotools.steps.explore.lengths import ZoneLengths
from geotools.steps.explore.summing import zone_summaries


def verdicts(rows):
    names = ["fence_id", "threat", "zone_id", "from_m", "to_m", "verdict", "settle"]
    return pd.DataFrame(rows, columns=names)


ROWS = [
    # a ring: the first zone begins before the fence's own start, and no beam answers from 50 to 60 m
    ("F01", "walk", "A", 0.0, 20.0, "detected", None),
    ("F01", "walk", "B", 20.0, 50.0, "detected", None),
    ("F01", "walk", None, 50.0, 60.0, "no_beam", None),
    ("F01", "walk", "A", 60.0, 70.0, "detected", None),
    ("F02", "walk", "C", 0.0, 40.0, "undetected", None),
    ("F01", "prone", "A", 0.0, 70.0, "unproven", "walk"),
    ("F02", "all", None, 0.0, 40.0, "undetected", "mend"),
    ("F01", "all", None, 0.0, 12.5, "detected", None),
    ("F01", "all", None, 12.5, 30.0, "unproven", "walk it"),
    ("F01", "all", None, 30.0, 50.0, "detected", None),
    ("F01", "all", None, 50.0, 60.0, "no_beam", None),
    ("F01", "all", None, 60.0, 66.0, "unproven", "survey it"),
    ("F01", "all", None, 66.0, 70.0, "unproven", None),
]


def test_stretches_of_all_threats_are_cut_where_a_zone_ends():
    found = ZoneLengths(verdicts(ROWS))
    # A: 12.5 detected, 7.5 unproven; then 6 and 4 more unproven before the end
    assert found.of("A") == ({"detected": 12.5, "unproven": 17.5}, ["survey it", "walk it"])
    assert found.of("B") == ({"unproven": 10.0, "detected": 20.0}, ["walk it"])
    assert found.of("C") == ({"undetected": 40.0}, [])
    assert found.of("D") == ({}, [])


def test_rows_in_any_order_give_the_same():
    mixed = verdicts([ROWS[k] for k in (0, 12, 8, 4, 2, 6, 10, 3, 1, 11, 9, 7, 5)])
    found, same = ZoneLengths(mixed), ZoneLengths(verdicts(ROWS))
    for zone in "ABC":
        assert found.of(zone) == same.of(zone)


@pytest.mark.parametrize("number", [10, 200])
def test_a_zone_looks_at_the_stretches_beside_it_alone(monkeypatch, number):
    rows = []
    for k in range(number):
        start = 100.0 * k
        rows.append(("F01", "walk", f"Z{k}", start, start + 100.0, "detected", None))
        rows.append(("F01", "all", None, start, start + 50.0, "detected", None))
        rows.append(("F01", "all", None, start + 50.0, start + 100.0, "unproven", "walk it"))
    looked_at = []

    class Counted:
        """The library of arrays, noting how many overlaps are added up."""

        def __getattr__(self, name):
            return getattr(np, name)

        def sum(self, values):
            looked_at.append(len(values))
            return np.sum(values)

    found = ZoneLengths(verdicts(rows))
    monkeypatch.setattr(lengths, "np", Counted())
    assert found.of(f"Z{number // 2}") == ({"detected": 50.0, "unproven": 50.0}, ["walk it"])
    # its own two, and the neighbours' that end where it begins and begin where it ends
    assert len(looked_at) <= 4


class CountedFrame(pd.DataFrame):
    """A frame that counts how often somebody looks a column up or picks rows."""

    looks = 0

    def __getitem__(self, key):
        CountedFrame.looks += 1
        return super().__getitem__(key)


def test_options_and_heads_are_sorted_by_zone_once():
    looks = {}
    for number in (3, 50):
        names = [f"Z{k}" for k in range(number)]
        options = CountedFrame({"zone_id": names * 2, "option": ["grade"] * number + ["none"] * number})
        changes = ["moved", "stays"] * number
        heads = CountedFrame({"stands_for": [n for n in names for _ in "ab"], "change": changes, "head_id": changes})
        CountedFrame.looks = 0
        found = zone_summaries({"options": options, "proposed_heads": heads}, [*names, "other"])
        looks[number] = CountedFrame.looks
        assert [one["option"] for one in found["Z2"]["options"]] == ["grade", "none"]
        assert found["Z2"]["heads"] == [{"head_id": "moved", "change": "moved"}]
        assert found["other"] == {"lengths": None, "settle": [], "options": [], "heads": []}
    assert looks[50] == looks[3]
