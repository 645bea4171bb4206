"""Dates against the calendar, costs by hand, the iCalendar file through other readers."""

from datetime import date

import pytest
import vobject

from geotools.errors import NumericInputError
from geotools.site.care import default_maintenance
from geotools.steps.upkeep.calendar import calendar_bytes
from geotools.steps.upkeep.kernel import PlannedTask, plan_visits, scheme_cost, tasks_of

HEADS = ["Z1-T1", "Z1-R1"]
ZONES = ["Z1"]
QUARTERLY = PlannedTask("cleaning", "head", 3, 15, material=5)
TWO_YEARLY = PlannedTask("new parts", "head", 24, 30, material=100)
GRASS = PlannedTask("grass", "zone", 1, 45, season=(4, 5, 6))


def catalogue():
    return [
        PlannedTask(
            t.name,
            t.scope,
            t.months,
            t.minutes,
            t.material,
            t.instruction,
            t.scheme,
            t.first_months,
            t.season,
            t.after_storm_days,
        )
        for t in default_maintenance()
    ]


def test_quarterly_task_over_two_years():
    visits = plan_visits([QUARTERLY], date(2026, 1, 31), 2, heads=HEADS, zones=ZONES)
    days = sorted({v.day for v in visits})
    assert len(visits) == 8 * 2
    assert days[:4] == [date(2026, 4, 30), date(2026, 7, 31), date(2026, 10, 31), date(2027, 1, 31)]


def test_two_yearly_task_over_ten_years():
    visits = plan_visits([TWO_YEARLY], date(2026, 3, 1), 10, heads=["A"], zones=[])
    assert [v.day for v in visits] == [date(y, 3, 1) for y in (2028, 2030, 2032, 2034, 2036)]


def test_leap_day_start():
    visits = plan_visits([PlannedTask("check", "head", 12, 20)], date(2028, 2, 29), 4, heads=["A"], zones=[])
    assert [v.day for v in visits] == [date(2029, 2, 28), date(2030, 2, 28), date(2031, 2, 28), date(2032, 2, 29)]


def test_first_visit_can_come_before_the_interval():
    task = PlannedTask("check", "head", 12, 20, first=1)
    visits = plan_visits([task], date(2028, 1, 1), 2, heads=["A"], zones=[])
    assert [v.day for v in visits] == [date(2028, 2, 1), date(2029, 2, 1)]


def test_a_task_with_a_season_is_done_in_its_season_only():
    visits = plan_visits([GRASS], date(2026, 1, 1), 1, heads=[], zones=ZONES)
    assert {v.day.month for v in visits} == {4, 5, 6}


def test_a_storm_brings_a_resurvey_of_each_zone():
    task = PlannedTask("survey after a storm", "zone", None, 30, after_storm_days=7)
    visits = plan_visits([task], date(2026, 1, 1), 1, heads=HEADS, zones=["Z1", "Z2"], storms=[date(2026, 2, 26)])
    assert [(v.day, v.place) for v in visits] == [(date(2026, 3, 5), "Z1"), (date(2026, 3, 5), "Z2")]


@pytest.mark.parametrize("scheme", ["cleaning", "replacement"])
def test_a_scheme_takes_its_own_tasks_and_those_of_all(scheme):
    chosen = tasks_of(catalogue(), scheme)
    assert {t.scheme for t in chosen} == {"", scheme}
    assert {t.name for t in catalogue() if not t.scheme} <= {t.name for t in chosen}


def test_every_task_of_the_catalogue_is_marked_a_placeholder():
    assert {t.source for t in default_maintenance()} == {"placeholder"}


def test_scheme_cost_by_hand():
    # 40 visits in 10 years x 2 heads x (0.25 h x 60 + 5) = 1600
    wash = scheme_cost([QUARTERLY], date(2026, 3, 1), 10, (2, 0), hour_rate=60)
    assert (wash.visits, wash.labour, wash.material, wash.total) == (80, 1200.0, 400.0, 1600.0)
    # 5 replacements x 2 x (0.5 h x 60 + 100) = 1300, and 40 rinses x 2 x (5 min x 60/h) = 400
    rinse = PlannedTask("rinse", "head", 3, 5)
    renew = scheme_cost([TWO_YEARLY, rinse], date(2026, 3, 1), 10, (2, 0), hour_rate=60)
    assert renew.material == 1000.0
    assert renew.total == pytest.approx(1700.0)


def test_a_season_is_paid_for_in_its_months_only():
    cost = scheme_cost([GRASS], date(2026, 1, 1), 2, (0, 4), hour_rate=40)
    assert cost.labour == pytest.approx(2 * 3 * 4 * 0.75 * 40)


def test_discounted_cost_is_the_textbook_annuity():
    # yearly payments A for n years at rate i: A (1 - (1+i)^-n) / i, any engineering-economy text
    cost = scheme_cost([PlannedTask("t", "head", 12, 0, material=100)], date(2026, 1, 1), 8, (1, 0), 0, discount=0.05)
    assert cost.total == pytest.approx(100 * (1 - 1.05**-8) / 0.05)


@pytest.mark.parametrize("bad", [{"hour_rate": -1}, {"hour_rate": 1, "discount": -0.1}])
def test_costs_below_nothing_are_refused(bad):
    with pytest.raises(NumericInputError):
        scheme_cost([QUARTERLY], date(2026, 1, 1), 1, (1, 1), **bad)


@pytest.mark.parametrize("bad", [{"months": 0}, {"minutes": -1.0}, {"material": -1.0}])
def test_tasks_that_cannot_be_are_refused(bad):
    with pytest.raises(NumericInputError):
        PlannedTask(**{"name": "t", "scope": "head", "months": 1, "minutes": 1.0, **bad})


def test_unknown_scheme_is_refused():
    with pytest.raises(NumericInputError, match="scheme") as problem:
        tasks_of(catalogue(), "polish")
    assert "cleaning, replacement" in str(problem.value)


def plan():
    tasks = tasks_of(catalogue(), "replacement")
    return plan_visits(tasks, date(2026, 4, 1), 3, heads=[*HEADS, "Z1;T2,low"], zones=ZONES)


def test_calendar_is_read_by_another_library():
    raw = calendar_bytes(plan(), "Depot, north; side", date(2026, 4, 1))
    events = vobject.readOne(raw.decode()).vevent_list
    assert len(events) == len({(v.day, v.task) for v in plan()})
    assert len({e.uid.value for e in events}) == len(events)
    assert {e.dtstart.value for e in events} == {v.day for v in plan()}
    inspection = next(e for e in events if e.categories.value == ["inspection"])
    assert "Z1;T2,low" in inspection.description.value
    assert inspection.valarm.trigger.value.days == -7


def test_calendar_lines_follow_rfc_5545():
    # RFC 5545, 3.1: CR LF, at most 75 octets a line; 3.6: PRODID and VERSION once; 3.6.1: UID and DTSTAMP required
    raw = calendar_bytes(plan(), "Dépôt", date(2026, 4, 1))
    lines = raw.split(b"\r\n")
    assert lines[-1] == b"" and b"\n" not in raw.replace(b"\r\n", b"")
    assert max(map(len, lines)) <= 75
    assert raw.count(b"VERSION:2.0") == raw.count(b"PRODID:") == 1
    assert raw.count(b"UID:") == raw.count(b"DTSTAMP:") == raw.count(b"BEGIN:VEVENT")


def test_same_plan_same_bytes():
    a, b = (calendar_bytes(plan(), "Depot", date(2026, 4, 1)) for _ in range(2))
    assert a == b
