"""Cable routes of the demonstration: every post fed, prices that the bill repeats, words where nothing can be laid."""

import json
import shutil

import pyogrio
import pytest

import geotools
from geotools.errors import InputError, SiteError


@pytest.fixture(scope="module")
def routed(laid_out, tmp_path_factory):
    folder = tmp_path_factory.mktemp("routed") / "demo"
    shutil.copytree(laid_out, folder)
    site = geotools.open_site(folder / "input" / "site.toml")
    outcome = geotools.run_step("routes", site, folder / "out")
    geotools.run_step("bill", site, folder / "out")
    return folder / "out", outcome


def layer(out, name):
    return pyogrio.read_dataframe(out / "plan.gpkg", layer=name)


def test_every_post_is_fed_within_the_limit(routed):
    out, outcome = routed
    supply, heads = layer(out, "supply"), layer(out, "heads")
    posts = supply[supply["kind"] == "post"]
    assert set(posts["place_id"]) == set(heads["post_id"])
    assert set(posts["state"]) == {"within"}
    assert posts["heads"].sum() == len(heads) == supply.loc[supply["kind"] == "source", "heads"].iloc[0]
    # what is lost on the way is the drop of every branch on it
    routes = layer(out, "routes").set_index("to_place")
    last = posts.sort_values("voltage_v").iloc[0]
    drop, place = 0.0, last["place_id"]
    while place != "control building":
        drop, place = drop + routes.loc[place, "drop_v"], routes.loc[place, "from_place"]
    assert 48.0 - drop == pytest.approx(last["voltage_v"], abs=1e-6)
    assert outcome.summary["posts_beyond"] == 0


def test_trenches_stay_within_the_fence_and_join_all_posts(routed):
    out, _ = routed
    routes, fence = layer(out, "routes"), layer(out, "fence")
    area = fence.geometry.polygonize().iloc[0]
    assert routes.within(area).all()
    whole = routes[routes["kind"] == "trench"].union_all()
    assert layer(out, "supply").distance(whole).max() < 1e-6


def test_loops_spare_all_but_single_posts(routed):
    routes = layer(routed[0], "routes")
    trench = routes[routes["kind"] == "trench"]
    assert not routes.loc[routes["kind"] == "spare loop", "laid"].any()
    assert trench["heads_lost"].max() > 2
    assert trench["heads_lost_with_loops"].max() == 2


def test_the_bill_costs_what_the_routes_cost(routed):
    out, outcome = routed
    bill = layer(out, "bill")
    mine = bill[bill["section"] == "cable routes"]
    assert mine["amount"].sum() == pytest.approx(outcome.summary["cost"], abs=0.01)
    assert mine.loc[mine["item"] == "cable", "quantity"].sum() == pytest.approx(outcome.summary["cable_m"], abs=0.06)


def test_a_price_that_nobody_stated_is_no_sum_of_money_without_a_mark(routed):
    _, outcome = routed
    (said,) = [note for note in outcome.notes if "m of trench" in note]
    assert said.endswith("EUR at placeholder prices")


def test_without_source_points_the_step_says_what_layer_it_needs(plan, settings):
    site_file, out = plan
    outcome = geotools.run_step("routes", settings(site_file, "[routes]\nhead_w = 6.0"), out)
    (warning,) = outcome.warnings
    assert "point layer" in warning and "routes.sources" in warning
    assert layer(out, "routes").empty and layer(out, "supply").empty


def keep_out(site_file, kind: str, name: str, west: float, south: float, east: float, north: float, hole: float = 0.0):
    """A site whose only keep-out is a square of that kind, as wide as ``hole`` where it is a ring."""
    x, y = 512_000.0, 5_404_060.0

    def ring(grown):
        corners = ((west, south), (east, south), (east, north), (west, north), (west, south))
        middle = (west + east) / 2, (south + north) / 2
        return [
            [x + e + grown * (-1 if e < middle[0] else 1), y + n + grown * (-1 if n < middle[1] else 1)]
            for e, n in corners
        ]

    rings = [ring(hole), ring(0.0)] if hole else [ring(0.0)]
    made = json.loads((site_file.parent / "fence.geojson").read_text("utf-8"))
    geometry = {"type": "Polygon", "coordinates": rings}
    made["features"] = [{"type": "Feature", "properties": {"name": name, "kind": kind}, "geometry": geometry}]
    (site_file.parent / "keep_outs.geojson").write_text(json.dumps(made), "utf-8")
    text = site_file.read_text("utf-8")
    text = text.replace('fence = "fence.geojson"', 'fence = "fence.geojson"\nkeep_outs = "keep_outs.geojson"')
    site_file.write_text(text, "utf-8")
    return geotools.open_site(site_file)


def test_a_source_that_is_walled_in_reaches_nobody(plan):
    site_file, out = plan
    outcome = geotools.run_step("routes", keep_out(site_file, "building", "wall", 112, 86, 124, 98, 1.0), out)
    assert any("no allowed ground leads" in w and "F01-Z001-A" in w for w in outcome.warnings)
    supply = layer(out, "supply")
    assert set(supply.loc[supply["kind"] == "post", "state"]) == {"no way"}
    assert layer(out, "routes").empty


def test_a_road_is_crossed_and_named(plan):
    site_file, out = plan
    outcome = geotools.run_step("routes", keep_out(site_file, "road", "lane", 108, 82, 128, 102, 4.0), out)
    crossings = layer(out, "route_crossings")
    road = crossings[crossings["kind"] == "road"]
    assert set(road["crossed"]) == {"lane"}
    assert road["length_m"].min() >= 4.0
    routes = layer(out, "routes")
    assert routes["road_m"].sum() == pytest.approx(road["length_m"].sum())
    # a loop that is only offered crosses nothing yet
    laid = road["route_id"].isin(routes.loc[routes["laid"].astype(bool), "route_id"])
    assert not laid.all(), "no loop crosses the lane: the test shows nothing"
    assert outcome.summary["crossings"]["road"] == laid.sum() > 0


def test_a_cross_section_that_is_none_is_refused(plan, settings):
    with pytest.raises(SiteError, match=r"2\.5, 4"):
        settings(plan[0], '[routes]\nsources = "sources.geojson"\nconductor_mm2 = 3.0')


def test_two_sources_of_one_name_are_refused(plan, settings):
    site_file, out = plan
    path = site_file.parent / "sources.geojson"
    data = json.loads(path.read_text("utf-8"))
    data["features"] *= 2
    path.write_text(json.dumps(data), "utf-8")
    with pytest.raises(InputError, match="one name"):
        geotools.run_step("routes", geotools.open_site(site_file), out)
