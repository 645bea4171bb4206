"""What the page says of the proposed state, windows, verdicts, prices and ground in 3D is what the plan holds.

Red when the page computes a figure of its own, mixes zones up, or draws a split or turned zone at the wrong place.
"""

import dataclasses

import numpy as np
import pytest
from geopandas import GeoDataFrame
from pandas import DataFrame
from shapely import LineString, Polygon, union_all

import geotools
from geotools.corridor import BeamLine
from geotools.detection.chains import perimeter_of
from geotools.engine.runner import Job
from geotools.plan.schema import (
    BILL,
    DEAD_SPOTS,
    EARTHWORKS,
    FENCE,
    NUISANCE_REACH,
    OPERATING_WINDOWS,
    OPTIONS,
    PROPOSED_HEADS,
    SET_OFF,
    STANDOFFS,
    VERDICTS,
)
from geotools.steps.explore.html import to_html
from geotools.steps.explore.nuisance import nuisance_data
from geotools.steps.explore.proposed import ProposedPerimeter
from geotools.steps.explore.relief import relief_data
from geotools.steps.explore.scene import Place
from geotools.steps.explore.summing import lead
from geotools.terrain.design import DesignSurface
from tests.steps.explore.test_explore_step import data_of


def now(zone):
    """The answer at the heights of the plan."""
    return zone["cases"][zone["now"][0] * len(zone["rx"]) + zone["now"][1]]


@pytest.fixture(scope="module")
def page(explored):
    return data_of(explored)


@pytest.fixture(scope="module")
def job(explored):
    site = geotools.open_site(explored.parent / "input" / "site.toml")
    with Job(site, explored, overwrite=True) as job:
        yield job


def test_dead_ground_after_the_remedy_is_what_remedy_found_in_its_own_run(page, job):
    options = job.workspace.read(OPTIONS)
    taken = options[options["recommended"].fillna(False).astype(bool)].set_index("zone_id")
    assert len(taken) > 2
    for zone in page["zones"]:
        after = sum(max(part["length"].values()) for part in zone["after"])
        expected = taken["dead_after_m"].get(zone["zone"], 0.0)
        assert after == pytest.approx(expected, abs=0.001)
        assert (max(part["most"] for part in zone["after"])) < 0.5
    assert all(not spots for spots in page["map"]["dead_after"].values())


def test_a_proposal_that_changes_nothing_says_what_the_plan_says(page, job):
    perimeter = perimeter_of(job.site, job.workspace.read, job.terrain)
    x, y = zip(*((p.line.x0, p.line.y0) for p in perimeter.zones.values()), strict=True)
    nothing = DesignSurface(perimeter.ground, (min(x), min(y), max(x), max(y)))
    proposed = ProposedPerimeter(perimeter.with_zones({}, nothing), {})
    weak = [zone for zone in page["zones"] if now(zone)["dead"]["prone"]]
    for zone in [*weak[:2], next(zone for zone in page["zones"] if zone not in weak)]:
        (part,) = proposed.zone_data(perimeter.zones[zone["zone"]])
        planned = now(zone)
        for name in ("gap", "dead", "length", "most"):
            assert part[name] == planned[name]
        assert [part[name] for name in ("chainage", "ground", "posts", "beams")] == [
            zone[name] for name in ("chainage", "ground", "posts", "beams")
        ]
    # a part that runs the other way is drawn along today's line, where it stands
    today = perimeter.zones[weak[0]["zone"]]
    turned = dataclasses.replace(
        today,
        line=today.line.reversed(),
        forward=not today.forward,
        pairs=tuple(dataclasses.replace(p, tx_height_m=p.rx_height_m, rx_height_m=p.tx_height_m) for p in today.pairs),
    )
    becomes = {today.zone_id: (turned,)}
    (back,) = ProposedPerimeter(perimeter.with_zones(becomes, nothing), becomes).zone_data(today)
    assert back["ends"] == pytest.approx([today.line.length, 0.0], abs=0.01)
    assert back["chainage"] == sorted(back["chainage"])
    assert back["ground"] == pytest.approx(weak[0]["ground"], abs=0.002)
    assert sorted(back["dead"]["prone"])[0] == pytest.approx(now(weak[0])["dead"]["prone"][0], abs=1.1)


def test_works_and_heads_of_the_proposal_are_on_the_map(page, job):
    heads, layer = page["map"]["heads_after"], job.workspace.read(PROPOSED_HEADS)
    assert bool(page["map"]["works"]) == job.workspace.has(EARTHWORKS)
    assert len(heads["transmitter"][0]) + len(heads["receiver"][0]) == len(layer)
    changed = [head for zone in page["summary"].values() for head in zone["heads"]]
    moved = layer[layer["change"] != "stays"]
    assert {head["head_id"]: head["change"] for head in changed} == dict(
        zip(moved["head_id"], moved["change"], strict=True)
    )


def test_fence_by_verdict_adds_up_to_the_layer_and_stays_within_the_zone(page, job):
    said = job.workspace.read(VERDICTS)
    worst = said[said["threat"] == "all"]
    length = (worst["to_m"] - worst["from_m"]).groupby(worst["verdict"]).sum()
    for verdict in ("detected", "unproven", "undetected"):
        mine = sum(zone["lengths"].get(verdict, 0.0) for zone in page["summary"].values())
        assert mine == pytest.approx(length[verdict], abs=0.05 * len(page["zones"]))
    for zone in page["zones"]:
        assert sum(page["summary"][zone["zone"]]["lengths"].values()) < zone["chainage"][-1] + 12.0
        assert bool(page["summary"][zone["zone"]]["settle"]) == ("unproven" in page["summary"][zone["zone"]]["lengths"])


def test_windows_and_reach_are_those_of_the_layers(page, job):
    held = page["nuisance"]
    for row in job.workspace.read(OPERATING_WINDOWS).itertuples():
        window = held["windows"][row.zone_id]
        assert (window["state"], window["must_threat"], window["must_not_mover"]) == (
            row.state,
            row.must_threat,
            row.must_not_mover,
        )
        assert (window["must"], window["must_not"]) == pytest.approx((row.must, row.must_not), abs=0.0006)
        assert (window["set_to"] is None) == (row.state == "empty")
    beams = job.workspace.read(STANDOFFS)
    assert held["standoffs"] == dict(zip(beams["zone_id"], beams["why"], strict=True))
    reach = job.workspace.read(NUISANCE_REACH)
    assert set(held["movers"]) == set(reach["mover"])
    fence = job.workspace.read(FENCE).geometry.iloc[0]
    corner = np.array(fence.coords[0][:2]) - np.array(page["map"]["fence"][0])[:, 0]
    for mover, rows in reach.groupby("mover"):
        drawn = held["movers"][mover]
        assert set(drawn["zones"]) == set(rows["zone_id"])
        for row in rows.itertuples():
            rings = [np.array(one["at"]).T + corner for one in drawn["areas"] if one["zone"] == row.zone_id]
            # edges are drawn no nearer than 0.2 m
            assert union_all([Polygon(ring) for ring in rings]).symmetric_difference(row.geometry).area < (
                0.2 * row.geometry.length
            )
    assert len(held["features"]) == len(job.workspace.read(SET_OFF))


def test_prices_add_up_to_the_bill(page, job):
    assert sum(part["amount"] for part in page["bill"]["parts"]) == pytest.approx(
        job.workspace.read(BILL)["amount"].sum(), abs=0.05
    )


def test_the_first_sentences_say_where_it_is_weak_what_it_costs_and_what_is_unproven(page, job):
    weak, count = job.workspace.read(DEAD_SPOTS)["zone_id"].nunique(), len(page["zones"])
    empty = (job.workspace.read(OPERATING_WINDOWS)["state"] == "empty").sum()
    text = " ".join(lead(page))
    options = [o for zone in page["summary"].values() for o in zone["options"] if o["recommended"]]
    assert f"{weak} of {count} zones have dead spots as planned." in text
    assert f"closes all of them for {sum(o['cost'] for o in options):,.0f} EUR" in text
    assert "Unproven as planned:" in text and f"{empty} empty" in text
    one = dict(options[0], clear=False)
    name = next(zone for zone, held in page["summary"].items() if held["options"])
    worse = page["summary"][name] | {"options": [one]}
    assert f"closes {weak - 1} of these {weak}" in " ".join(lead(page | {"summary": page["summary"] | {name: worse}}))
    none = {zone: held | {"options": [], "lengths": None} for zone, held in page["summary"].items()}
    bare = " ".join(lead(page | {"summary": none, "nuisance": None}))
    assert "run geotools remedy" in bare and "unproven" not in bare.lower() and "window" not in bare.lower()


def test_a_sentence_of_the_page_is_escaped(page):
    assert "<b>" not in to_html("Yard", ["<b>5</b> zones"], page, ()).split("</header>")[0]


class Slope:
    """Rises 1 m in 10 m to the north, with a hole in the survey where x is over 40 m."""

    cell_m = 1.0

    def __init__(self, raised=0.0):
        self.raised = raised

    def sample(self, x_m, y_m):
        x, y = np.broadcast_arrays(x_m, y_m)
        return np.where(x > 40.0, np.nan, 100.0 + 0.1 * y + np.where(np.abs(x - 10.0) < 2.0, self.raised, 0.0))


def test_ground_in_three_dimensions_is_that_of_the_terrain():
    line = BeamLine(0.0, 0.0, 50.0, 0.0)
    relief = relief_data(line, 2.0, Slope(), Slope(0.2))
    along, across = np.array(relief["along"]), np.array(relief["across"])
    assert along[0] < 0 and along[-1] > 50 and {-2.0, 2.0} <= set(across) and relief["half"] == 2.0
    for levels, raised in ((relief["ground"], 0.0), (relief["proposed"], 0.2)):
        for i in (0, 20, 40, 60):
            for j in (0, 5, len(across) - 1):
                expected = Slope(raised).sample(along[i], across[j])
                got = np.nan if levels[i][j] is None else relief["base"] + levels[i][j] / 100
                assert got == pytest.approx(float(expected), abs=0.006, nan_ok=True)
    assert relief_data(line, 2.0, Slope(), Slope())["proposed"] is None


def test_weather_that_closes_a_window_is_beside_the_zone_and_none_that_does_not():
    windows = GeoDataFrame({"zone_id": ["Z1"], "state": ["open"]}, geometry=[LineString([(0, 0), (9, 0)])])
    rows = [("snow", 0.1, "m", 9.96, "clear it"), ("rain", None, "mm/h", 0.0, None)]
    weather = DataFrame(rows, columns=["condition", "closes_at", "unit", "days", "advice"]).assign(zone_id="Z1")
    held = nuisance_data({"operating_windows": windows, "window_weather": weather}, Place(np.zeros(2)))
    assert held["weather"] == [
        {"zone": "Z1", "condition": "snow", "closes_at": 0.1, "unit": "m", "days": 9.96, "advice": "clear it"}
    ]
    assert held["standoffs"] == {}
