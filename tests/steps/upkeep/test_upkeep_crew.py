"""Days of a crew, counted by hand."""

from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geotools.errors import NumericInputError
from geotools.steps.upkeep.crew import crew_days
from geotools.steps.upkeep.kernel import Visit

DAY = date(2027, 4, 1)


def visits(*minutes: float, day: date = DAY) -> list[Visit]:
    return [Visit(day, "task", "head", f"H{k:02d}", one, "") for k, one in enumerate(minutes)]


def test_what_is_left_goes_to_the_next_days():
    planned = crew_days(visits(200, 200, 200, 60, 30), 480)
    assert [(one.first.day, one.last.day) for one in planned] == [(1, 1), (1, 1), (2, 2), (2, 2), (2, 2)]


def test_a_later_task_waits_until_the_crew_is_free():
    late = visits(480, 480, 480), visits(60, day=date(2027, 4, 2))
    planned = crew_days([*late[0], *late[1]], 480)
    assert [one.first.day for one in planned] == [1, 2, 3, 4]


def test_a_task_longer_than_a_day_goes_on():
    (before, long, after) = crew_days(visits(60, 1000, 60), 480)
    assert before.first.day == 1
    assert [(part.day.day, part.minutes) for part in long.parts] == [(2, 480), (3, 480), (4, 40)]
    assert after.first.day == 4


def test_a_day_of_eight_hours_holds_twenty_four_thirds_of_an_hour():
    assert {one.first for one in crew_days(visits(*[20.0] * 24), 480.0)} == {DAY}


def test_no_hours_on_weekends_where_the_crew_works_five_days():
    # the second of April 2027 is a Friday
    friday, saturday = date(2027, 4, 2), date(2027, 4, 3)
    asked = [*visits(300, 300, 900, day=friday), *visits(30, day=saturday)]
    planned = crew_days(asked, 480, 5)
    assert [[part.day.day for part in one.parts] for one in planned] == [[2], [5], [6, 7], [7]]
    assert [[part.day.day for part in one.parts] for one in crew_days(visits(30, day=saturday), 480)] == [[3]]


def test_a_crew_without_time_is_refused():
    with pytest.raises(NumericInputError):
        crew_days(visits(10), 0.0)


# a machine that is busy draws slowly: that says nothing of the days
@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.tuples(st.integers(1, 25), st.floats(0, 2000)), max_size=60),
    st.floats(30, 3000),
)
def test_no_day_is_overbooked_and_nothing_is_lost(given_days, capacity):
    asked = [Visit(date(2027, 4, d), "t", "head", f"H{k}", m, "") for k, (d, m) in enumerate(given_days)]
    planned = crew_days(asked, capacity)
    by_day = {}
    for one in planned:
        assert one.first >= one.visit.day
        assert sum(part.minutes for part in one.parts) == pytest.approx(one.visit.minutes)
        for part in one.parts:
            by_day[part.day] = by_day.get(part.day, 0.0) + part.minutes
    assert all(total <= capacity + 1e-5 for total in by_day.values())
    assert sorted(one.visit for one in planned) == sorted(asked)
