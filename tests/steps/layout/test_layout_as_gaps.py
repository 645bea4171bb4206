"""On a flat site layout's checks say what gaps finds there: open ends, junctions, bands of heights, place by place."""

from __future__ import annotations

import re
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pytest
from shapely import Point
from shapely.affinity import translate

import geotools
from geotools.engine.runner import Job
from geotools.plan.schema import CONFLICTS, DEAD_SPOTS
from geotools.site import open_site
from tests.detection.test_one_engine import SITES
from tests.steps.test_one_answer import SIZE, as_files, side_by_side

SPACING_M = 0.5
LINE = ((10.0, 50.0), (90.0, 50.0))
SHORT = ((30.0, 50.0), (68.0, 50.0))
KINK = ((10.0, 50.0), (50.0, 50.0), (88.0, 62.0))
#: A head that stays where it is put, be it in a ground-reflection null.
MAIN = (
    '[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = {height}\nmin_height_m = {height}\n'
    "max_height_m = {height}\n"
)
LOW = '[[stack]]\nlevel = "low"\nhead_type = "24 GHz"\nheight_m = 0.3\n'


def flat(make_site, points=LINE, height=0.91, more="", threats='["crawl"]', stack=MAIN):
    layout = f'[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 50.0\n{more}\n'
    return make_site(points=points, threats=threats, toml=layout + stack.format(height=height))


def laid_out(site_file, out):
    for step in ("inspect", "layout"):
        geotools.run_step(step, geotools.open_site(site_file), out)


def asked_again(site_file, out, *, keep=False):
    """Conflicts of layout and dead spots of gaps, once the heads stand."""
    site = geotools.open_site(site_file)
    if keep:
        geotools.run_step("layout", site, out, keep=True, overwrite=True)
    geotools.run_step("gaps", site, out, overwrite=keep)
    return [gpd.read_file(out / "plan.gpkg", layer=name) for name in ("conflicts", "dead_spots", "zones", "heads")]


def at_post(spots, post: Point, within_m: float) -> float:
    """Metres of dead spots that reach to within so much of a post."""
    return float(spots[spots.distance(post) <= within_m].length_m.sum())


@pytest.mark.parametrize("height", [0.82, 1.1])
@pytest.mark.parametrize("more", ["", "\n[detection]\ngrass_m = 0.1\nhalf_width_m = 1.0\n"], ids=["", "grass"])
def test_dead_ground_before_the_head_of_an_open_end(make_site, tmp_path, height, more):
    """Length of the dead spot that gaps finds at either end of an open line, within a node spacing."""
    site_file = flat(make_site, height=height, more=more)
    laid_out(site_file, tmp_path / "out")
    conflicts, spots, _, heads = asked_again(site_file, tmp_path / "out")
    open_ends = conflicts[conflicts["rule"] == "open end"]
    assert len(open_ends) == 2
    post_of = heads.set_index("head_id").geometry.force_2d()
    for row in open_ends.itertuples():
        said = float(re.search(r"dead spot of ([0-9.]+) m", row.found).group(1))
        found = at_post(spots, post_of[row.head_ids.split()[0]], 10.0)
        assert said > 0
        assert said == pytest.approx(found, abs=SPACING_M)


def test_where_gaps_finds_nothing_at_the_ends_layout_lists_none(make_site, tmp_path):
    site_file = flat(make_site, stack=LOW + MAIN)
    laid_out(site_file, tmp_path / "out")
    conflicts, spots, _, _ = asked_again(site_file, tmp_path / "out")
    assert not len(spots)
    assert not set(conflicts["rule"]) & {"open end", "junction open", "stack misses crawl"}


@pytest.mark.parametrize(
    ("points", "sideways", "back"),
    [(LINE, 0.0, 0.0), (LINE, 0.5, 2.0), (LINE, 0.9, 4.0), (KINK, 0.0, 0.0), (KINK, 0.5, 0.0), (KINK, 1.6, 4.0)],
)
def test_a_junction_is_open_exactly_where_gaps_finds_a_way_through(make_site, tmp_path, points, sideways, back):
    """Posts of the second zone set sideways and drawn back along its line: layout measures what gaps finds there."""
    out = tmp_path / "out"
    site_file = flat(make_site, points=points)
    laid_out(site_file, out)
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    last = sorted(heads.zone_id.unique())[-1]
    ends = {a: heads[(heads.zone_id == last) & heads.post_id.str.endswith(a)].geometry.iloc[0] for a in "AB"}
    way = np.array([ends["B"].x - ends["A"].x, ends["B"].y - ends["A"].y])
    ux, uy = way / np.hypot(*way)
    for place, row in heads[heads.zone_id == last].iterrows():
        along = back if str(row.post_id).endswith("A") else 0.0
        heads.loc[[place], "geometry"] = [
            translate(row.geometry, ux * along - uy * sideways, uy * along + ux * sideways)
        ]
    heads.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")
    conflicts, spots, zones, heads = asked_again(site_file, out, keep=True)
    listed = conflicts[conflicts["rule"] == "junction open"].set_index("zone_id").found.to_dict()
    names = sorted(zones.zone_id)
    opened = 0
    for a, b in pairwise(names):
        post_of = heads.drop_duplicates(["zone_id", "post_id"]).set_index("post_id").geometry.force_2d()
        mine = spots[spots.zone_id.isin([a, b])]
        # everything dead nearer to this junction than to the middle of the zones belongs to it
        length = zones.set_index("zone_id").length_m
        near = mine[
            [
                row.geometry.centroid.distance(post_of[f"{row.zone_id}-{'B' if row.zone_id == a else 'A'}"])
                < length[row.zone_id] / 2
                for row in mine.itertuples()
            ]
        ]
        found = float(near.length_m.sum())
        said = listed.get(f"{a} {b}")
        opened += found > 0
        assert (said is not None) == (found > 0), f"{a} {b}: {said}, gaps finds {found:.2f} m"
        if said is not None:
            assert float(said.split()[0]) == pytest.approx(found, abs=SPACING_M)
    assert opened == len(listed)


@pytest.mark.parametrize("stack", [MAIN, LOW + MAIN], ids=["one level", "two levels"])
def test_a_band_that_passes_is_where_gaps_lets_a_body_of_that_height_through(make_site, tmp_path, stack):
    """A body whose underside is in the band that layout names has a dead spot between the ends; beside it, none."""
    passer = "[targets.passer]\nheight_m = 0.5\nwidth_m = 0.5\nbase_m = {base}\n"
    more = "min_zone_m = 30.0\n" + passer.format(base=2.0)
    site_file = flat(make_site, points=SHORT, threats='["walk", "passer"]', more=more, stack=stack)
    laid_out(site_file, tmp_path / "out")
    conflicts = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="conflicts")
    bands = []
    for found in conflicts[conflicts["rule"] == "stack misses passer"].found:
        numbers = re.search(r"underside (?:from )?(?:at )?([0-9.]+)(?: to ([0-9.]+))? m passes", found)
        low = float(numbers.group(1))
        bands.append((low, float(numbers.group(2) or low)))
    assert bands
    edges = {b for low, high in bands for b in (low, high)}
    beside = {round(b, 1) for low, high in bands for b in (low - 0.1, high + 0.1) if 0 <= b <= 2.0}
    text = site_file.read_text("utf-8")
    for base in sorted(edges | beside | {1.0}):
        site_file.write_text(text.replace("base_m = 2.0", f"base_m = {base:.1f}"), "utf-8")
        out = tmp_path / f"at_{base:.1f}"
        laid_out(site_file, out)
        _, spots, zones, _ = asked_again(site_file, out)
        (length,) = zones.length_m
        # a walker has no dead spot before the heads: layout leaves a metre at either end to the neighbours
        mine = spots[spots.threat == "passer"]
        between = bool(((mine.to_m > 1.0 + 1e-6) & (mine.from_m < length - 1.0 - 1e-6)).any())
        assert between == any(low - 1e-6 <= base <= high + 1e-6 for low, high in bands), f"underside at {base:.1f} m"


def heads_on(zone, *, at_start):
    """Heads of a zone's post, lowest first."""
    if zone is None:
        return []
    role = "TX" if at_start == zone.forward else "RX"
    return [f"{zone.zone_id}-{role}-{pair.level}" for pair in zone.pairs]


FLAT_SITES = [name for name in SITES if name.startswith(("staggered", "corner", "kink", "two fences"))]


@pytest.mark.parametrize("names", [FLAT_SITES[::2], FLAT_SITES[1::2]], ids=["even", "odd"])
def test_heads_as_they_stand_on_invented_flat_sites(names, tmp_path):
    """Every open end and every junction: what layout lists is what gaps finds there, for threats the stacks answer."""
    site_of, zones, height = side_by_side(names)
    path = as_files(tmp_path, zones, height, len(names) * SIZE)
    path.write_text(
        path.read_text("utf-8") + '\n[layout]\nside = "left"\nsetback_m = 4.0\nmin_zone_m = 10.0\n', "utf-8"
    )
    with Job(open_site(path), tmp_path / "out", overwrite=True) as job:
        job.run("layout", keep=True)
        job.run("gaps", uncertainty=False)
        conflicts, spots = job.workspace.read(CONFLICTS), job.workspace.read(DEAD_SPOTS)
    listed = conflicts[conflicts["rule"].isin(["open end", "junction open"])]
    said = {
        (row.rule, row.zone_id, row.head_ids): float(re.search(r"([0-9.]+) m", row.found).group(1))
        for row in listed.itertuples()
    }
    expected = {}
    for fence_id in site_of:
        chain = [zone for zone in zones if zone.fence_id == fence_id]
        # over every length of zone that is allowed, single heads of 10 GHz detect who crawls, not who lies
        threats = ("crawl", "prone") if len(chain[0].pairs) > 1 else ("crawl",)
        ends = {}
        for zone in chain:
            for at_start in (True, False):
                near_tx = at_start == zone.forward
                mine = spots[(spots.zone_id == zone.zone_id)]
                nearer = ((mine.from_m + mine.to_m) <= zone.line.length) == near_tx
                ends[zone.zone_id, at_start] = [mine[nearer & (mine.threat == t)].length_m.sum() for t in threats]
        first, last = chain[0], chain[-1]
        for rule, where, found in (
            ("open end", (first, None), np.array(ends[first.zone_id, True])),
            ("open end", (None, last), np.array(ends[last.zone_id, False])),
            *(
                ("junction open", (b, a), np.array(ends[a.zone_id, False]) + np.array(ends[b.zone_id, True]))
                for a, b in pairwise(chain)
            ),
        ):
            if found.max() > 0:
                after, before = where
                heads = heads_on(before, at_start=False) + heads_on(after, at_start=True)
                name = " ".join(zone.zone_id for zone in (before, after) if zone is not None)
                expected[rule, name, " ".join(heads)] = float(found.max())
    assert said.keys() == expected.keys()
    for key, metres in expected.items():
        assert said[key] == pytest.approx(metres, abs=0.05 + 1e-6), key
    assert len(said) > 8
