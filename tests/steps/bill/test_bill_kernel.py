"""Lines of a bill: quantities counted by hand, prices with where they come from, sums that agree."""

from datetime import date

import pytest

from geotools.errors import StepError
from geotools.site import Site
from geotools.steps.bill.care import care_lines
from geotools.steps.bill.kernel import PriceBook, added_fittings, camera_lines, installation_lines, spare_lines
from geotools.steps.bill.works import RemedyRows, remedy_lines
from geotools.steps.upkeep.kernel import PlannedTask, plan_visits, scheme_cost


def a_site(**settings) -> Site:
    return Site.model_validate({"name": "A", "input": {"fence": "f.geojson", "terrain": "t.tif"}, **settings})


def heads_of(zone: str, levels=("low", "main")):
    return [
        {
            "zone_id": zone,
            "post_id": f"{zone}-{post}",
            "head_type": "24 GHz" if level == "low" else "10 GHz",
            "level": level,
        }
        for post in "AB"
        for level in levels
    ]


def proposed(zone: str, part: str, change: str, levels=("low", "main")):
    return [
        {"zone_id": part, "stands_for": zone, "change": change, "level": level, "role": role}
        for role in ("transmitter", "receiver")
        for level in levels
    ]


def an_option(zone: str, name: str, cost: float, cut=0.0, fill=0.0, area=0.0):
    return {"zone_id": zone, "option": name, "cost": cost, "cut_m3": cut, "fill_m3": fill, "area_m2": area}


def test_heads_and_posts_of_two_zones_counted_by_hand():
    book = PriceBook(a_site(prices={"head": 1000.0}, bill={"foundation": 250.0}))
    lines = installation_lines([*heads_of("Z1"), *heads_of("Z2", ("main",))], book)
    counted = {(line.zone_id, line.item): line.quantity for line in lines}
    assert counted["Z1", "head 24 GHz, low"] == 2
    assert counted["Z1", "head 10 GHz, main"] == 2
    assert counted["Z1", "bracket"] == counted["Z1", "weather cover"] == 4
    assert counted["Z1", "post"] == counted["Z1", "foundation"] == 2
    assert counted["Z2", "bracket"] == 2
    # six heads at 1000, four posts at the placeholder of 1800, four foundations at 250
    assert sum(line.amount for line in lines) == 6 * 1000 + 4 * 1800 + 4 * 250
    stated = {line.price.setting: line.price.stated for line in lines}
    assert stated == {
        "prices.head": True,
        "bill.bracket": False,
        "bill.cover": False,
        "prices.post": False,
        "bill.foundation": True,
    }
    # what is in the price of a head is said, and only there
    assert {line.note for line in lines if line.item == "bracket"} == {"in prices.head"}
    assert {line.note for line in lines if line.item == "foundation"} == {""}


@pytest.mark.parametrize(
    ("number", "share", "spares"),
    [(30, 0.1, 3), (31, 0.1, 4), (1, 0.1, 1), (7, 1.0, 7)],
)
def test_spares_are_rounded_up(number, share, spares):
    (line,) = spare_lines(["10 GHz"] * number, share, PriceBook(a_site()))
    assert line.quantity == spares


def test_no_spares_where_none_are_wanted():
    assert spare_lines(["10 GHz"], 0.0, PriceBook(a_site())) == []


def test_cameras_that_stand_are_not_bought():
    cameras = [{"zone_id": "Z1", "source": "proposed"}, {"zone_id": "Z1", "source": "given"}]
    (line,) = camera_lines(cameras, PriceBook(a_site()))
    assert line.quantity == 1


def test_grading_with_a_head_set_and_a_pipe():
    site = a_site(prices={"cut_m3": 10.0, "fill_m3": 20.0, "haul_m3": 2.0, "surface_m2": 3.0, "strip_m2": 1.0})
    ways = [{"zone_id": "Z1", "kind": "covered pipe", "length_m": 4.0, "crossing_id": "Z1-W01"}]
    stand = proposed("Z1", "Z1", "stays")
    stand[0]["change"] = "set"
    # 5 cut, 8 fill, surplus 3, 10 m2 at 3 + 1, pipe 4 m at 70 and two ends at 150, one head at 120
    cost = 5 * 10 + 8 * 20 + 3 * 2 + 10 * 4 + 4 * 70 + 2 * 150 + 120
    rows = RemedyRows([an_option("Z1", "grade", cost, 5, 8, 10)], stand, ways, heads_of("Z1"))
    lines = remedy_lines(rows, PriceBook(site))
    assert sum(line.amount for line in lines) == pytest.approx(cost, abs=1e-9)
    assert {line.section for line in lines} == {"remedy"}


def test_a_pair_of_heads_added():
    stand = [*proposed("Z1", "Z1", "stays", ("main",)), *proposed("Z1", "Z1", "added", ("low",))]
    rows = RemedyRows([an_option("Z1", "add_low_heads", 5000.0)], stand, [], heads_of("Z1", ("main",)))
    lines = remedy_lines(rows, PriceBook(a_site(bill={"bracket": 40.0})))
    assert [(line.item, line.quantity) for line in lines] == [("further head", 2)]
    # brackets with a price of their own come on top of what the remedy was weighed with
    (bracket,) = added_fittings(lines, PriceBook(a_site(bill={"bracket": 40.0})))
    assert (bracket.section, bracket.amount) == ("heads and posts", 80.0)


def test_a_line_moved_takes_two_posts_and_every_head():
    rows = RemedyRows(
        [an_option("Z1", "move_line", 2 * 1800 + 4 * 120)], proposed("Z1", "Z1", "moved"), [], heads_of("Z1")
    )
    counted = {line.item: line.quantity for line in remedy_lines(rows, PriceBook(a_site()))}
    assert counted == {"set a head to another height and align it": 4, "post set elsewhere": 2}


def test_a_zone_split_in_three():
    parts = [head for part in "abc" for head in proposed("Z1", f"Z1{part}", "added")]
    cost = 2 * (2 * 1800 + 4 * 2500)
    rows = RemedyRows([an_option("Z1", "split", cost)], parts, [], heads_of("Z1"))
    counted = {line.item: line.quantity for line in remedy_lines(rows, PriceBook(a_site()))}
    assert counted == {"further head": 8, "further post": 4}


def test_a_split_zone_that_is_graded_keeps_its_price():
    parts = [head for part in "ab" for head in proposed("Z1", f"Z1{part}", "added")]
    # two heads of the parts are set for the earth: the layers cannot tell them from those added
    cost = 2 * 1800 + 4 * 2500 + 3 * 18 + 2 * 120
    rows = RemedyRows([an_option("Z1", "split_and_grade", cost, cut=3.0)], parts, [], heads_of("Z1"))
    lines = remedy_lines(rows, PriceBook(a_site()))
    assert sum(line.amount for line in lines) == pytest.approx(cost, abs=1e-9)
    assert [line.amount for line in lines if line.unit == "sum"] == [pytest.approx(240.0)]


def test_prices_that_changed_since_the_remedy_are_refused():
    rows = RemedyRows([an_option("Z1", "grade", 5 * 18.0, cut=5.0)], proposed("Z1", "Z1", "stays"), [], heads_of("Z1"))
    with pytest.raises(StepError, match="Z1"):
        remedy_lines(rows, PriceBook(a_site(prices={"cut_m3": 30.0})))


def test_maintenance_costs_what_the_maintenance_plan_says():
    start, storms = date(2027, 3, 1), [date(2027, 10, 20)]
    site = a_site(
        upkeep={"years": 4, "scheme": "wash", "hour_rate": 50.0, "discount": 0.05, "start": start, "storms": storms},
        maintenance=[
            {"name": "washing", "scheme": "wash", "scope": "head", "months": 6, "minutes": 12.0, "material": 4.0},
            {"name": "storm survey", "scheme": "wash", "scope": "zone", "after_storm_days": 7, "minutes": 30.0},
            {"name": "other", "scheme": "replace", "scope": "head", "months": 12, "minutes": 30.0},
        ],
    )
    tasks = [
        PlannedTask(t.name, t.scope, t.months, t.minutes, t.material, after_storm_days=t.after_storm_days)
        for t in site.maintenance
        if t.scheme == "wash"
    ]
    visits = plan_visits(tasks, start, 4, heads=["H1", "H2", "H3"], zones=["Z1"], storms=storms)
    rows = [{"zone_id": "Z1", "task": v.task, "scope": v.scope, "minutes": v.minutes, "due": v.day} for v in visits]
    lines = care_lines(site, rows, "wash", start, PriceBook(site))
    cost = scheme_cost(tasks, start, 4, (3, 1), 50.0, 0.05, storms)
    assert sum(line.amount for line in lines) == pytest.approx(cost.total, abs=1e-9)
    # eight washings of three heads: 24 times 12 minutes and 4 of material, and one storm survey
    assert sum(line.amount for line in lines if line.unit == "h") == pytest.approx(24 * 0.2 * 50 + 25)
    assert sum(line.amount for line in lines if line.unit == "piece") == pytest.approx(24 * 4)


def test_ways_for_water_of_the_parts_of_a_split_zone_come_in_the_order_of_the_layer():
    parts = [head for part in "ba" for head in proposed("Z1", f"Z1{part}", "added", ("main",))]
    kinds = ("covered pipe", "stone fill", "covered pipe", "stone fill")
    where = ("Z1b", "Z1a", "Z2", "Z1b")
    ways = [
        {"zone_id": zone, "kind": kind, "length_m": 1.0 + k, "crossing_id": f"W{k}"}
        for k, (zone, kind) in enumerate(zip(where, kinds, strict=True))
    ]
    # a pipe of 1 m at 70 and two ends at 150; 2 m and 4 m of stone fill at 45; a post more, two heads more at 2500
    site = a_site(prices={"stone_fill_m": 45.0})
    cost = 70 + 2 * 150 + 6 * 45 + 2 * 1800 + 2 * 2500
    lines = remedy_lines(
        RemedyRows([an_option("Z1", "split", cost)], parts, ways, heads_of("Z1", ("main",))), PriceBook(site)
    )
    assert [line.note for line in lines if "way for water" in line.item] == ["W0", "W0", "W1", "W3"]
    assert sum(line.amount for line in lines) == pytest.approx(cost, abs=1e-9)


def test_heads_and_ways_for_water_are_sorted_by_zone_once():
    """A border has thousands of zones, and each would go through the rows of all others."""

    class CountedRows(list):
        passes = 0

        def __iter__(self):
            CountedRows.passes += 1
            return super().__iter__()

    passes = {}
    for number in (2, 30):
        names = [f"Z{k}" for k in range(number)]
        rows = RemedyRows(
            CountedRows(an_option(name, "set_heads", 120.0) for name in names),
            CountedRows(
                {**head, "change": "set" if head["level"] == "main" and at == 0 else "stays"}
                for name in names
                for at, head in enumerate(proposed(name, name, "stays", ("main",)))
            ),
            CountedRows(),
            CountedRows(head for name in names for head in heads_of(name, ("main",))),
        )
        CountedRows.passes = 0
        assert [(line.zone_id, line.quantity) for line in remedy_lines(rows, PriceBook(a_site()))] == [
            (name, 1) for name in names
        ]
        passes[number] = CountedRows.passes
    assert passes[30] == passes[2]
