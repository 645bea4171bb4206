"""Which defaults a result names as placeholders, and that the catalogue is generic."""

from __future__ import annotations

import pytest

from geotools.site import Site
from geotools.site.care import default_maintenance
from geotools.site.placeholders import placeholders, price_mark
from geotools.site.stacks import default_stack_rules
from geotools.site.template import repeated, section_settings, subsections

INPUT = {"fence": "fence.gpkg", "terrain": "dtm.tif"}
OWN = {"frequency_ghz": 10.5, "beamwidth_az_deg": 5.0, "beamwidth_el_deg": 5.0, "max_range_m": 120.0}
WHOLE = {**OWN, "min_range_m": 4.0, "upright_fitting": "as is", "turned_fitting": "cover refitted"}


def of(sections=None, **settings):
    return placeholders(Site(name="yard", input=INPUT, **settings), sections)


def test_every_default_head_type_that_stands_on_a_post_is_named_with_its_figures():
    named = of({"head_types"}, threats=("walk", "prone"))
    assert [text.split(":")[0] for text in named] == ["head type 10 GHz", "head type 24 GHz"]
    assert "range 5 to 150 m" in named[0] and "range 20 to 300 m" in named[1]
    assert [text.split(":")[0] for text in of({"head_types"}, threats=("walk",))] == ["head type 10 GHz"]


def test_a_head_type_of_the_sites_own_is_none_once_every_figure_is_given():
    assert of({"head_types"}, threats=("walk",), head_types={"10 GHz": WHOLE}) == ()
    (left,) = of({"head_types"}, threats=("walk",), head_types={"10 GHz": OWN})
    assert left == "head type 10 GHz: min_range_m, upright_fitting, turned_fitting"


def test_heights_are_named_until_the_site_gives_rules_or_a_stack():
    assert of({"stack_rules"}, threats=("walk", "prone")) == ("stack_rules: heads at low 0.3 m, main 0.9 m",)
    own = [{"level": "main", "head_type": "10 GHz", "height_m": 0.8}]
    assert of({"stack_rules"}, stack=own) == () and of({"stack_rules"}, stack_rules=own) == ()


def test_what_is_copied_from_the_catalogue_stays_a_placeholder_while_it_is_marked_so():
    tasks = [task.model_dump(exclude_none=True) for task in default_maintenance()[:2]]
    tasks[1]["source"] = "service contract"
    assert of({"maintenance"}, maintenance=tasks) == ("maintenance: intervals, times and material of inspection",)
    rules = [rule.model_dump(exclude_none=True) for rule in default_stack_rules()]
    assert of({"stack_rules"}, threats=("walk",), stack_rules=rules) == ("stack_rules: heads at main 0.9 m",)


def test_prices_are_named_one_by_one():
    (text,) = of({"prices"}, prices={"cut_m3": 20.0, "head": 100.0})
    assert "fill_m3 32.0" in text and "cut_m3" not in text and "head 2500" not in text


def test_what_a_step_has_not_read_is_not_named():
    assert of({"detection", "layout"}) == ()


@pytest.mark.parametrize("longest", [457.0, 5000.0])
def test_a_zone_may_be_as_long_as_any_head_type(longest):
    assert Site(name="yard", input=INPUT, layout={"max_zone_m": longest}).layout.max_zone_m == longest


def test_no_default_is_a_figure_of_published_equipment_tables():
    # UFC 4-021-02NF 5-4.3.2: 600 ft and 1500 ft by band; heads at 3 ft, 1 ft and 8 ft: common practice, no source
    published = {183.0, 457.0, 0.91, 2.44}
    site = Site(name="yard", input=INPUT, threats=("walk", "prone"))
    held = {kind.max_range_m for kind in site.all_head_types.values()}
    held |= (
        {level.height_m for level in site.stack_levels()}
        | {rule.height_m for rule in site.stack_rules}
        | {site.layout.max_zone_m}
    )
    assert not held & published
    assert site.channels.available is None


def test_every_default_says_where_it_comes_from():
    sections = [("site", Site), *((n, s) for n, _, s in subsections(Site)), *((n, s) for n, _, s in repeated(Site))]
    nothing = ("", '""', "[]", "0.0", '"site file"')
    bare = [
        f"{name}.{one.name}"
        for name, section in sections
        for one in section_settings(section)
        if one.default not in nothing and not one.source
    ]
    assert bare == []


def test_the_height_of_the_fence_has_no_default():
    assert Site(name="yard", input=INPUT).fence_height_m is None
    assert of({"fence_height_m"}) == ()


def test_a_sum_of_money_says_whether_its_prices_are_the_sites_own():
    def mark(**prices):
        return price_mark(Site(name="yard", input=INPUT, prices=prices), "prices.cut_m3", "prices.stone_fill_m")

    assert mark() == "at placeholder prices"
    assert mark(cut_m3=20.0) == "partly at placeholder prices"
    assert mark(cut_m3=20.0, stone_fill_m=35.0) == ""
    # a price of nothing adds nothing to the sum, so nobody has to state it
    assert price_mark(Site(name="yard", input=INPUT), "prices.haul_m3") == ""
