"""From threats to heads: the rules of the trade, and what a site file may change (common practice, no source)."""

from __future__ import annotations

import pytest

from geotools.site import Site, StackRule

INPUT = {"fence": "fence.gpkg", "terrain": "dtm.tif"}


def stack(**settings):
    site = Site(name="yard", input=INPUT, **settings)
    return [(level.level, level.head_type, level.height_m, level.polarisation) for level in site.stack_levels()]


def test_walk_and_crawl_take_one_head():
    assert stack(threats=("walk", "run", "run-up jump", "crawl")) == [("main", "10 GHz", 0.9, "vertical")]


@pytest.mark.parametrize("threat", ["prone", "prone side-on", "sphere"])
def test_a_prone_crawler_asks_for_a_low_head_of_the_higher_band(threat):
    assert stack(threats=("walk", threat))[0] == ("low", "24 GHz", 0.30, "vertical")


def test_bridging_asks_for_a_head_at_the_top_of_the_fence_turned_by_90_degrees():
    found = stack(threats=("walk", "prone", "bridge"), fence_height_m=3.0)
    assert [level for level, *_ in found] == ["low", "main", "top"]
    assert found[2] == ("top", "10 GHz", 3.0, "horizontal")


def test_the_rules_can_be_edited():
    rules = (StackRule(level="main", head_type="24 GHz", height_m=0.7, source="own trial"),)
    assert stack(threats=("walk", "prone"), stack_rules=rules) == [("main", "24 GHz", 0.7, "vertical")]


def test_a_stack_of_the_sites_own_keeps_its_polarisations():
    own = [
        {"level": "main", "head_type": "10 GHz", "height_m": 0.9, "polarisation": "horizontal"},
        {"level": "top", "head_type": "10 GHz", "height_m": 2.0, "polarisation": "vertical"},
    ]
    assert [p for *_, p in stack(stack=own)] == ["horizontal", "vertical"]


def test_a_rule_with_an_unknown_head_type_is_refused():
    with pytest.raises(ValueError, match="known: 10 GHz"):
        Site(name="yard", input=INPUT, stack_rules=[{"level": "low", "head_type": "30 GHz", "height_m": 0.3}])
