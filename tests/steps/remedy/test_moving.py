"""A line moved sideways, and heads added at searched heights: only where their price can win."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import box
from shapely.affinity import translate

from geotools.corridor import BeamLine
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.applied import apply_proposal
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings
from geotools.engine.runner import Job
from geotools.plan.model import Head, Zone
from geotools.plan.moving import MoveLimits, moved_sideways, places_beside
from geotools.plan.schema import ADVICE, BEAMS, HEADS, OPTIONS, PROPOSED_HEADS
from geotools.site import open_site
from geotools.steps.remedy.option import cheapest
from geotools.steps.remedy.options import RemedyLimits, zone_options
from geotools.steps.remedy.trial import Trial
from geotools.terrain.design import DesignSurface
from tests.invented_ground import LOW, MAIN, RULES, Formula, dip, zone
from tests.making import line, write_fence, write_raster

COSTS = Prices(cut_m3=18, fill_m3=32, surface_m2=4, set_head=120, head=2500, post=1800)
SETTINGS = GradeSettings(
    GradingRules(COSTS, max_slope=0.33),
    {"walk": 0.15, "crawl": 0.15, "prone": 0.075},
    height_limits={"low": (0.2, 0.45), "main": (0.5, 1.06)},
)
#: A ditch under the line that ends beside it; m.
DITCH = Formula(lambda x, y: 100.0 - 0.8 * np.exp(-(((x - 50) / 5) ** 2) - ((np.minimum(y, 0.0) / 0.7) ** 2)))
FREE = MoveLimits({"": box(-10, -12, 210, 12)})


def options(perimeter: Perimeter, prices: Prices = COSTS, *, dig: bool = False, more=(), moves: MoveLimits = FREE):
    surface = DesignSurface(perimeter.ground, (-10, -10, 210, 10))
    keep = None if dig else np.ones(surface.change.shape, bool)
    limits = RemedyLimits(SETTINGS, prices, more, moves=moves)
    return zone_options(perimeter, surface, "Z1", limits, keep)[0]


def test_the_line_is_moved_to_the_nearest_place_that_is_clear() -> None:
    perimeter = Perimeter([zone()], DITCH, RULES)
    assert perimeter.dead_length("Z1", perimeter.dead("Z1")) > 3.0
    moved = next(o for o in options(perimeter) if o.name == "move_line")
    assert moved.clear and moved.cost == 2 * 1800 + 4 * 120
    at = moved.zones[0].line.y0
    assert moved.zones[0].line == BeamLine(0.0, at, 100.0, at) and at < 0
    # by hand: a perimeter of that zone alone on that line, and none of the nearer places is clear as drawn
    for y in (at, *(s * d for d in np.arange(0.5, abs(at), 0.5) for s in (1, -1))):
        alone = Perimeter([replace(zone(), line=BeamLine(0.0, y, 100.0, y))], DITCH, RULES)
        assert (alone.dead_length("Z1", alone.dead("Z1")) == 0.0) == (y == at)
    assert "places within -2.0 to +2.0 m tried" in moved.searched


def test_what_costs_more_than_something_clear_is_not_solved(monkeypatch: pytest.MonkeyPatch) -> None:
    perimeter = Perimeter([zone(pairs=[LOW, MAIN])], Formula(dip(0.5, 5.0, 50.0)), RULES)

    def never(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(Trial, "_moved", never)
    monkeypatch.setattr(Trial, "add", never)
    top = replace(MAIN, level="top")
    best = cheapest(options(perimeter, dig=True, more=((top, (0.2, 1.0)),)))
    assert best is not None and best.name == "grade" and best.cost < 4080


def test_a_cheap_move_is_taken_before_dear_earth() -> None:
    hollow = Formula(lambda x, y: 100.0 - 0.4 * np.exp(-(((x - 50) / 5) ** 2) - ((np.minimum(y, 0.0) / 1.0) ** 2)))
    perimeter = Perimeter([zone()], hollow, RULES)
    found = {o.name: o for o in options(perimeter, replace(COSTS, post=10.0, set_head=5.0), dig=True)}
    assert found["grade"].clear and found["move_line"].cost == 40.0
    assert cheapest(list(found.values())) is found["move_line"]


@pytest.mark.parametrize(
    ("ground", "expected"),
    [
        # beam: half of sqrt(0.0286 m * 100 m) = 0.85 m, and 0.3 m beside it: 1.15 m from the edge of the ground
        (box(-10, -2.2, 110, 2.2), [0.5, -0.5, 1.0, -1.0]),
        (box(-10, -12, 110, 1.2), [-0.5, -1.0, -1.5, -2.0]),
        (box(-10, -1.2, 110, 1.2), []),
        # the line breaks the limit as it stands: no further out, but back
        (box(-10, -12, 110, 0.5), [-0.5, -1.0, -1.5, -2.0]),
        (box(-10, -12, 110, 12).difference(box(40, 1.5, 60, 3)), [-0.5, -1.0, -1.5, -2.0]),
    ],
)
def test_the_places_keep_fence_keep_outs_and_posts_free(ground, expected) -> None:
    assert places_beside(zone(), MoveLimits({"": ground}), 2.0) == expected
    assert places_beside(zone(), MoveLimits({"F09": ground}), 2.0) == []


def test_heads_are_added_at_heights_that_were_searched() -> None:
    """On rough ground heads at the rule's height leave somebody through, at another of their heights nobody."""
    wall = Formula(lambda x, y: 100.0 + 0.0 * x)
    high = replace(LOW, tx_height_m=0.60, rx_height_m=0.60)
    perimeter = Perimeter([zone(pairs=[MAIN])], wall, RULES)
    as_ruled = zone(pairs=[MAIN]).with_pair(high)
    assert perimeter.dead("Z1", perimeter.modulation(as_ruled, perimeter.strip("Z1")))["prone"].any()
    added = next(o for o in options(perimeter, more=((high, (0.2, 0.60)),)) if o.name == "add_low_heads")
    low = next(p for p in added.zones[0].pairs if p.level == "low")
    assert added.closes and low.tx_height_m < 0.60 and added.cost == 5000
    assert "pairs of heights within 0.20 to 0.60 m tried" in added.searched


def test_moved_posts_carry_their_heads() -> None:
    heads = [
        Head(f"h{i}", "main", MAIN.head_type, i == 0, i == 0, 100.0 * i, 0.0, 100.0, 0.9, "vertical") for i in (0, 1)
    ]
    moved = moved_sideways(Zone.of_heads("Z1", heads), 1.5)
    assert {(h.x, h.y) for h in moved.heads} == {(0.0, 1.5), (100.0, 1.5)}


def test_a_moved_line_is_what_apply_builds(tmp_path: Path) -> None:
    """A ditch under the line that may not be filled: the line moves, and the run of the proposed site finds nobody."""
    x, y = np.meshgrid(np.arange(0, 140, 0.5) + 0.25, 49.75 - np.arange(0, 50, 0.5))
    level = 300 - 0.8 * np.exp(-(((x - 70) / 5) ** 2) - ((y - 31) / 0.7) ** 2)
    write_raster(tmp_path / "terrain.tif", level.astype(np.float32), cell=0.5, top=5_400_050.0)
    write_fence(tmp_path / "fence.geojson", [line([(20, 25), (118, 25)])])
    keep = {"type": "Polygon", "coordinates": [line([(0, 0), (140, 0), (140, 50), (0, 50), (0, 0)])["coordinates"]]}
    write_fence(tmp_path / "no_dig.geojson", [keep])
    (tmp_path / "site.toml").write_text(
        'name = "Ditch"\nthreats = ["walk", "crawl", "prone"]\n[input]\nfence = "fence.geojson"\n'
        'terrain = "terrain.tif"\nvertical_accuracy_m = 0.03\n[layout]\nside = "left"\n'
        '[grading]\nno_dig = "no_dig.geojson"\n'
    )
    site = open_site(tmp_path / "site.toml")
    with Job(site, tmp_path / "out") as job:
        for step in ("inspect", "layout"):
            job.run(step)
        # somebody sets the line over the ditch, in a GIS
        moved = {schema: job.workspace.read(schema) for schema in (HEADS, BEAMS)}
        for frame in moved.values():
            frame["geometry"] = [translate(shape, 0.0, 3.0) for shape in frame.geometry]
        job.workspace.write(moved)
        for step in ("gaps", "remedy"):
            job.run(step)
        options_, heads = job.workspace.read(OPTIONS), job.workspace.read(PROPOSED_HEADS)
        assert set(job.workspace.read(ADVICE).action) == {"move"}
        job.run("stakeout")
        assert any("moves posts" in text for text in job.outcomes[-1].warnings)
    taken = options_[options_.recommended.astype(bool)]
    assert set(taken.option) == {"move_line"} and taken.clear.all()
    assert taken.reason.str.contains("Searched: ").all()
    assert set(heads[heads.stands_for == taken.zone_id.iloc[0]].change) == {"moved"}
    made = apply_proposal(site, tmp_path / "out", tmp_path / "proposed")
    with Job(open_site(made.site_file), made.plan.parent, overwrite=True) as job:
        job.run("gaps")
        verdicts = job.outcomes[-1].summary["verdicts"]
    assert all(lengths["undetected"] == 0.0 for lengths in verdicts.values())
