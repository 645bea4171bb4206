"""Cameras, posts and zones of a border: who is near is looked up, not gone through."""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.steps.cameras.assessment import Assessment
from geotools.steps.cameras.broken_rules import other_conflicts, zone_conflicts


class CountedView:
    """A camera that counts how often somebody asks where it stands."""

    asked = 0

    def __init__(self, x, y):
        self._at = np.array([x, y, 4.0])

    @property
    def place(self):
        CountedView.asked += 1
        return self._at


def assessment(cameras, posts, sees=lambda place, view: False):
    """An assessment of which the pictures are given; a camera each, with a reach of 120 m."""
    made = Assessment.__new__(Assessment)
    made.views = {f"C{k}": (CountedView(x, y), 120.0) for k, (x, y) in enumerate(cameras)}
    made.ground = SimpleNamespace(posts=np.array(posts, float).reshape(-1, 2), gates=(), kept_off=None)
    made._share = lambda ends, view: SimpleNamespace(assessed=np.array([sees(ends[0], view)]))
    made.uncovered = lambda zone_id, length: (5.0, length / 2)
    return made


def test_a_post_asks_the_cameras_within_reach_alone():
    # 200 cameras and posts, one each 100 m: of each post its own camera and one on either side are within 120 m
    places = [(100.0 * k, 0.0) for k in range(200)]
    seen = assessment(places, places)
    CountedView.asked = 0
    assert seen.posts_unseen() == places
    assert CountedView.asked <= len(places) * (1 + 3)


def test_a_post_is_seen_by_a_camera_at_its_reach_and_no_farther():
    cameras = [(0.0, 0.0), (1000.0, 0.0)]
    posts = [(120.0, 0.0), (120.5, 0.0), (85.0, 85.0), (1084.0, 84.0)]
    # hypot(85, 85) = 120.2, hypot(84, 84) = 118.8
    assert assessment(cameras, posts, lambda place, view: True).posts_unseen() == [(120.5, 0.0), (85.0, 85.0)]
    # the second camera sees nothing
    said = assessment(cameras, posts, lambda place, view: view.place[0] == 0.0).posts_unseen()
    assert said == [(120.5, 0.0), (85.0, 85.0), (1084.0, 84.0)]
    assert assessment([], posts).posts_unseen() == posts


class CountedRows(list):
    """Rows that count how often somebody goes through all of them."""

    passes = 0

    def __iter__(self):
        CountedRows.passes += 1
        return super().__iter__()


@pytest.mark.parametrize("number", [2, 40])
def test_cameras_are_sorted_by_zone_once(number):
    ends = {f"Z{k:02d}": np.array([[100.0 * k, 0.0], [100.0 * k + 100.0, 0.0]]) for k in range(number)}
    sight = SimpleNamespace(
        zones=ends, length=lambda zone_id: 100.0, density=62.5, settings=SimpleNamespace(required_class="observe")
    )
    cameras = CountedRows(
        SimpleNamespace(camera_id=f"C-{name}-{turn}", zone_id=name, lens_mm=8.0, needed_mm=8.0 + turn)
        for name in list(ends)[1:]
        for turn in (0, 1)
    )
    rows = CountedRows({"camera_id": one.camera_id, "longest_zone_m": 50.0 + one.needed_mm} for one in cameras)
    CountedRows.passes = 0
    found = zone_conflicts(sight, cameras, rows, assessment([], []))
    assert CountedRows.passes <= 2
    assert found[0]["found"].endswith("; no camera looks along it")
    assert all("cameras C-Z01-0, C-Z01-1 reach 59 m" in row["found"] for row in found if row["zone_id"] == "Z01")
    assert "a lens of 9.0 mm" in found[-1]["mend"]


def test_a_post_that_no_camera_sees_is_told_with_the_first_of_its_nearest_zones():
    ends = {f"Z{k}": np.array([[100.0 * k, 0.0], [100.0 * k + 100.0, 0.0]]) for k in range(9)}
    sight = SimpleNamespace(zones=ends, placeless=[], settings=SimpleNamespace(required_class="observe"))
    # the first stands at the end of two zones, the second in the middle of one
    found = other_conflicts(sight, [], assessment([], [(300.0, 5.0), (450.0, -5.0)]))
    assert [row["zone_id"] for row in found] == ["Z2", "Z4"]
