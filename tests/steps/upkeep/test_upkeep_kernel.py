"""Dates against the calendar, costs by hand, the iCalendar file through other readers."""

from datetime import date

import pytest
import vobject

from geotools.errors import NumericInputError
from geotools.steps.upkeep.calendar import calendar_bytes
from geotools.steps.upkeep.kernel import (
    CARE,
    CareRates,
    break_even_price,
    choose_radome_care,
    life_cost,
    plan_visits,
)

HEADS = ["Z1-T1", "Z1-R1"]
ZONES = ["Z1"]


def test_quarterly_wax_over_two_years():
    visits = plan_visits(choose_radome_care("wax"), date(2026, 1, 31), 2, heads=HEADS, zones=ZONES)
    days = sorted({v.day for v in visits})
    assert len(visits) == 8 * 2
    assert days[:4] == [date(2026, 4, 30), date(2026, 7, 31), date(2026, 10, 31), date(2027, 1, 31)]


def test_two_year_radomes_over_ten_years():
    visits = plan_visits(choose_radome_care("shed"), date(2026, 3, 1), 10, heads=["A"], zones=[])
    days = [v.day for v in visits if v.care == "radome replacement"]
    assert days == [date(y, 3, 1) for y in (2028, 2030, 2032, 2034, 2036)]
    assert not any(v.care == "radome wax" for v in visits)


def test_leap_day_start():
    visits = plan_visits([c for c in CARE if c.name == "alignment"], date(2028, 2, 29), 4, heads=["A"], zones=[])
    assert [v.day for v in visits] == [date(2029, 2, 28), date(2030, 2, 28), date(2031, 2, 28), date(2032, 2, 29)]


def test_grass_is_cut_in_its_season_only():
    visits = plan_visits(CARE, date(2026, 1, 1), 1, heads=[], zones=ZONES)
    assert {v.day.month for v in visits if v.care == "grass"} == {4, 5, 6, 7, 8, 9, 10}


def test_a_storm_brings_a_resurvey_of_each_zone():
    visits = plan_visits([], date(2026, 1, 1), 1, heads=HEADS, zones=["Z1", "Z2"], storms=[date(2026, 2, 26)])
    assert [(v.day, v.place) for v in visits] == [(date(2026, 3, 5), "Z1"), (date(2026, 3, 5), "Z2")]


def test_every_head_gets_hood_drip_holes_alignment_and_radome():
    visits = plan_visits((*CARE, *choose_radome_care("wax")), date(2026, 1, 1), 1, heads=HEADS, zones=ZONES)
    for head in HEADS:
        assert {v.care for v in visits if v.place == head} == {"rain hood", "drip holes", "alignment", "radome wax"}


def test_life_cost_by_hand():
    # wax: 40 visits in 10 years x 2 heads x (0.25 h x 60 + 5) = 1600
    wax = life_cost("wax", 10, 2, CareRates(hour_rate=60, wax_price=5, radome_price=100))
    assert (wax.visits, wax.labour, wax.material, wax.total) == (40, 1200.0, 400.0, 1600.0)
    # shed: 5 replacements x 2 x (0.5 h x 60 + 100) = 1300, and 40 rinses x 2 x (5 min x 60/h) = 400
    shed = life_cost("shed", 10, 2, CareRates(hour_rate=60, wax_price=5, radome_price=100))
    assert shed.material == 1000.0
    assert shed.total == pytest.approx(1700.0)
    assert sum(shed.by_year) == pytest.approx(shed.total)
    price = break_even_price(wax, shed, 2, 100)
    assert price == pytest.approx(90.0)
    again = life_cost("shed", 10, 2, CareRates(hour_rate=60, wax_price=5, radome_price=90))
    assert again.total == pytest.approx(wax.total)


def test_discounted_cost_is_the_textbook_annuity():
    # yearly payments A for n years at rate i: A (1 - (1+i)^-n) / i, any engineering-economy text
    cost = life_cost("wax", 8, 1, CareRates(0, 100, 0, discount=0.05), wax_months=12)
    assert cost.total == pytest.approx(100 * (1 - 1.05**-8) / 0.05)


@pytest.mark.parametrize("bad", [{"hour_rate": -1}, {"discount": -0.1}])
def test_costs_below_nothing_are_refused(bad):
    with pytest.raises(NumericInputError):
        life_cost("wax", 1, 1, CareRates(**{"hour_rate": 1, "wax_price": 1, "radome_price": 1, **bad}))


def test_unknown_choice_is_refused():
    with pytest.raises(NumericInputError, match="radome care"):
        choose_radome_care("polish")


def plan():
    cares = (*CARE, *choose_radome_care("shed"))
    return plan_visits(cares, date(2026, 4, 1), 3, heads=[*HEADS, "Z1;T2,low"], zones=ZONES)


def test_calendar_is_read_by_another_library():
    raw = calendar_bytes(plan(), "Depot, north; side", date(2026, 4, 1))
    events = vobject.readOne(raw.decode()).vevent_list
    assert len(events) == len({(v.day, v.care) for v in plan()})
    assert len({e.uid.value for e in events}) == len(events)
    assert {e.dtstart.value for e in events} == {v.day for v in plan()}
    hood = next(e for e in events if e.categories.value == ["rain hood"])
    assert "Z1;T2,low" in hood.description.value
    assert hood.valarm.trigger.value.days == -7


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
