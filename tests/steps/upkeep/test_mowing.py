"""Cuts before the grass of a zone is too high: dates by hand, and none where it is cut often enough anyway.

Red where a day is let pass on which the grass stands above the limit, or a cut is planned that nobody needs.
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from geotools.site.weather import DAYS, Weather
from geotools.steps.upkeep.mowing import mowing_days, mowing_visits

#: One centimetre a day in April alone.
APRIL = Weather(grass_m_month=(0.0, 0.0, 0.0, 0.30, *(0.0,) * 8), cut_to_m=0.03)
START, END = date(2027, 1, 1), date(2027, 12, 31)


def highest(limit, weather, cut_on=()):
    """Height at the end of every day, an independent account."""
    cuts = {*mowing_days(limit, weather, START, END, cut_on), *cut_on}
    height, most, day = weather.cut_to_m, 0.0, START
    while day <= END:
        if day in cuts:
            height = weather.cut_to_m
        height += weather.grass_m_month[day.month - 1] / DAYS[day.month - 1]
        most, day = max(most, height), day + timedelta(days=1)
    return most


def test_dates_by_hand():
    """0.05 m at the end of 2 April, so cut on the 3rd; two days each from then on: 3, 5, 7 ... 29 April."""
    days = mowing_days(0.05, APRIL, START, END)
    assert days == [date(2027, 4, day) for day in range(3, 30, 2)]


@pytest.mark.parametrize("limit", [0.05, 0.08, 0.1, 0.2])
def test_the_grass_never_stands_above_the_limit(limit):
    assert highest(limit, Weather()) <= limit + 1e-9


def test_a_cut_that_comes_anyway_spares_one():
    often = [date(2027, 4, day) for day in range(2, 31, 2)]
    assert mowing_days(0.05, APRIL, START, END, often) == []
    assert highest(0.05, APRIL, often) <= 0.05 + 1e-9


def test_no_cut_helps_below_the_height_that_it_cuts_to():
    assert mowing_days(0.03, APRIL, START, END) == []


def test_a_visit_says_the_height_and_keeps_its_name():
    (first, *_) = mowing_visits({"Z1": 0.05}, APRIL, START, 1, {})
    assert (first.task, first.scope, first.place) == ("cut before the grass reaches 0.05 m", "zone", "Z1")
    assert (first.day, first.occurrence) == (date(2027, 4, 3), "mowing 1")
