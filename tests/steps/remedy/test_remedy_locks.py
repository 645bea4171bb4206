"""What is locked in the plan is not proposed to be changed. Red where remedy or heights sets, adds, moves or splits
heads, posts or a zone that a person locked, or does not say that the lock stands in the way."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
from shapely import box

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.demand import straight_case
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings
from geotools.engine.runner import Job
from geotools.plan.locks import Locks
from geotools.plan.moving import MoveLimits
from geotools.site import open_site
from geotools.steps.remedy.options import RemedyLimits, zone_options
from geotools.terrain.design import DesignSurface
from tests.invented_ground import LOW, MAIN, RULES, Formula, dip, zone
from tests.steps.layout.test_null_heights import ENDS, bowl

COSTS = Prices(cut_m3=18, fill_m3=32, surface_m2=4, set_head=1, head=2500, post=10)
SETTINGS = GradeSettings(
    GradingRules(COSTS, max_slope=0.33),
    {"walk": 0.15, "crawl": 0.15, "prone": 0.075},
    height_limits={"low": (0.2, 0.45), "main": (0.5, 1.06)},
)
FREE = MoveLimits({"": box(-10, -12, 210, 12)})
DIPPED = Formula(dip(0.25, 5.0, 50.0))


def options(locks, pairs=(MAIN,), more=(), dig=False):
    perimeter = Perimeter([zone(pairs=list(pairs))], DIPPED, RULES)
    surface = DesignSurface(perimeter.ground, (-10, -10, 210, 10))
    keep = None if dig else np.ones(surface.change.shape, bool)
    limits = RemedyLimits(replace(SETTINGS, fixed=locks.fixed), COSTS, more, moves=FREE, locks=locks)
    return {o.name for o in zone_options(perimeter, surface, "Z1", limits, keep, every=True)[0]}


ADDED = ((replace(LOW, level="low"), (0.2, 0.45)),)


@pytest.fixture(scope="module")
def free():
    return options(Locks(), more=ADDED)


@pytest.mark.parametrize(
    ("locks", "barred"),
    [
        (Locks(heads={("Z1", "main"): ("Z1-TX-main",)}), {"set_heads", "split"}),
        (Locks(posts={"Z1": ("Z1-TX-main",)}), {"move_line"}),
        (
            Locks(frozenset({"Z1"}), {("Z1", "main"): ("Z1-TX-main",)}),
            {"set_heads", "add_low_heads", "move_line", "split"},
        ),
    ],
    ids=["head", "post", "zone"],
)
def test_no_option_changes_what_is_locked(free, locks, barred):
    assert barred <= free
    found = options(locks, more=ADDED)
    assert not barred & found
    assert "ocked" in locks.words("Z1") and "Z1" in locks.words("Z1")


def test_earthworks_leave_locked_heads_at_their_height():
    perimeter = Perimeter([zone(pairs=[LOW, MAIN])], DIPPED, RULES)
    _, free, _ = straight_case(perimeter, perimeter.zones["Z1"], SETTINGS)
    _, held, _ = straight_case(perimeter, perimeter.zones["Z1"], replace(SETTINGS, fixed=frozenset({("Z1", "low")})))
    assert free[0] < 0.0
    assert held == (0.0, 0.0)


def test_a_locked_head_in_a_null_is_answered_with_the_lock(make_site, tmp_path):
    """What ends the null is known, and nobody proposes it: layout, heights and remedy name the lock."""
    stack = '[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = 0.9\n'
    site_file = make_site(
        heights=bowl(),
        points=((ENDS[0], 50.0), (ENDS[1], 50.0)),
        threats='["walk"]',
        toml='[layout]\nside = "left"\nsetback_m = 4.0\n' + stack + "min_height_m = 0.9\nmax_height_m = 0.9\n",
    )
    out = tmp_path / "out"
    with Job(open_site(site_file), out) as job:
        job.run("inspect")
        job.run("layout")
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    heads["locked"] = "head"
    heads.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")
    site_file.write_text(
        site_file.read_text().replace("min_height_m = 0.9\nmax_height_m = 0.9\n", "min_height_m = 0.5\n")
    )
    with Job(open_site(site_file), out, overwrite=True) as job:
        job.run("layout", redesign=True)
        job.run("gaps", uncertainty=False)
        searched = job.run("heights")
        job.run("remedy")
    conflicts, options_tried, proposed = (
        gpd.read_file(out / "plan.gpkg", layer=name) for name in ("conflicts", "options", "proposed_heads")
    )
    (row,) = conflicts[conflicts["rule"] == "beam in a null"].itertuples()
    assert row.mend == "its heads are locked at this height: unlock them"
    assert searched.summary["beams"] == 0
    assert any("F01-Z001-TX-main" in text and "Locked" in text for text in searched.warnings)
    assert not set(options_tried["option"]) & {"set_heads", "move_line", "split"}
    taken = options_tried[options_tried["recommended"]]
    assert taken["reason"].str.contains("Locked heads F01-Z001-RX-main, F01-Z001-TX-main").all()
    assert set(proposed["height_m"]) == {0.9}
