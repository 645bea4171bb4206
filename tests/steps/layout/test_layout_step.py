"""The layout step on whole sites: layers, files, hand edits, keep-outs and gates from files."""

from __future__ import annotations

import json
import sqlite3

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.affinity import translate

import geotools
from geotools.errors import InfeasibleError, InputError, StepError
from tests.making import line, write_fence, write_raster
from tests.steps.layout.test_obstacles import write_keep_outs

RING = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))


def layers(out, *names):
    return [gpd.read_file(out / "plan.gpkg", layer=name) for name in names]


def lay_out(site_file, out, **params):
    site = geotools.open_site(site_file)
    if not params:
        geotools.run_step("inspect", site, out, overwrite=True)
    return geotools.run_step("layout", site, out, overwrite=True, **params)


@pytest.fixture
def yard(make_site, tmp_path):
    return make_site(points=RING, toml="[layout]\nsetback_m = 4.0\n"), tmp_path / "out"


def move_heads(out, change):
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    changed = change(heads)
    changed.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")


def test_demonstration_closes_every_corner(plan):
    _, out = plan
    zones, heads, conflicts = layers(out, "zones", "heads", "conflicts")
    assert len(zones) >= 6
    assert not set(conflicts["rule"]) & {"junction open", "overlap", "beam touches fence or keep-out"}
    # like beside like at every junction: all heads of a junction have one role
    per_junction = heads.groupby("junction_id")["role"].nunique()
    assert (per_junction == 1).sum() >= len(per_junction) - len(zones) % 2
    assert zones["length_m"].max() <= 100.0
    assert (out / "plan.png").stat().st_size > 20_000
    assert (out / "stacks.pdf").read_bytes().startswith(b"%PDF")


def test_beams_that_lose_more_before_their_heads_than_they_gain_are_not_made(make_site, tmp_path):
    # half a metre high and 0.3 m wide: a long beam of one head at 0.91 m sees it only near mid-span
    site_file = make_site(
        points=((20.0, 20.0), (80.0, 20.0), (80.0, 80.0), (20.0, 80.0), (20.0, 20.0)),
        threats='["walk", "small"]',
        toml="[targets.small]\nheight_m = 0.5\nwidth_m = 0.3\n",
    )
    result = lay_out(site_file, tmp_path / "out")
    (zones,) = layers(tmp_path / "out", "zones")
    assert result.summary["zones"] == len(zones) >= 4
    assert zones["length_m"].max() <= 70.0
    assert any("kept to 70 m of the 100 m allowed" in text for text in result.warnings)


def test_layers_agree_with_each_other(yard):
    site_file, out = yard
    lay_out(site_file, out)
    zones, heads, beams, ground = layers(out, "zones", "heads", "beams", "clear_ground")
    at = heads.set_index("head_id").geometry
    for beam in beams.itertuples():
        tx, rx = at[beam.tx_head_id], at[beam.rx_head_id]
        assert beam.geometry.coords[0] == pytest.approx(tx.coords[0])
        assert beam.geometry.coords[-1] == pytest.approx(rx.coords[0])
        assert beam.length_m == pytest.approx(np.hypot(tx.x - rx.x, tx.y - rx.y))
    # level ground at 250 m: Z is the head's own level
    assert np.allclose(heads.geometry.z, 250.0 + heads["height_m"], atol=1e-3)
    assert shapely.covers(ground.geometry[0], heads.geometry.force_2d()).all()
    for head in heads.itertuples():
        partner = at[
            beams.loc[(beams.tx_head_id == head.head_id) | (beams.rx_head_id == head.head_id)].iloc[0][
                "rx_head_id" if head.role == "transmitter" else "tx_head_id"
            ]
        ]
        there = np.degrees(np.arctan2(partner.x - head.geometry.x, partner.y - head.geometry.y)) % 360
        assert head.azimuth_deg == pytest.approx(there, abs=1e-6)
    assert set(heads["zone_id"]) == set(zones["zone_id"])


def test_twice_the_same(yard):
    site_file, out = yard

    def content():
        with sqlite3.connect(out / "plan.gpkg") as base:
            return {
                name: base.execute(f"select * from {name}").fetchall()
                for name in ("zones", "heads", "beams", "corridor", "widths", "conflicts", "clear_ground")
            }

    lay_out(site_file, out)
    first, pictures = content(), [(out / name).read_bytes() for name in ("plan.png", "stacks.pdf")]
    lay_out(site_file, out)
    assert content() == first
    assert [(out / name).read_bytes() for name in ("plan.png", "stacks.pdf")] == pictures


def test_heads_kept_where_they_stand_give_the_same_plan(yard):
    site_file, out = yard
    lay_out(site_file, out)
    before = layers(out, "heads", "beams", "conflicts")
    outcome = lay_out(site_file, out, keep=True)
    after = layers(out, "heads", "beams", "conflicts")
    assert outcome.summary["kept"] is True
    for old, new in zip(before, after, strict=True):
        key = old.columns[0]
        a, b = old.sort_values(key, ignore_index=True), new.sort_values(key, ignore_index=True)
        assert a[key].tolist() == b[key].tolist()
        assert shapely.equals_exact(a.geometry.array, b.geometry.array, 1e-6).all()


def test_moved_heads_stay_and_the_broken_rule_names_them(yard):
    site_file, out = yard
    lay_out(site_file, out)

    def out_of_the_ground(heads):
        # the post at the start of the first zone, 6 m towards and over the fence
        first = heads["post_id"] == "F01-Z001-A"
        heads.loc[first, "geometry"] = heads.loc[first, "geometry"].apply(lambda p: translate(p, 0, -8))
        return heads

    move_heads(out, out_of_the_ground)
    there = gpd.read_file(out / "plan.gpkg", layer="heads").set_index("head_id").geometry
    lay_out(site_file, out, keep=True)
    heads, conflicts = layers(out, "heads", "conflicts")
    assert all(p.distance(there[name]) < 1e-6 for name, p in heads.set_index("head_id").geometry.items())
    off = conflicts[conflicts["rule"] == "post off the clear ground"]
    assert len(off) == 1
    assert set(off.iloc[0]["head_ids"].split()) == set(heads.loc[heads["post_id"] == "F01-Z001-A", "head_id"])
    assert "beam touches fence or keep-out" in set(conflicts["rule"])


def test_one_head_of_a_stack_moved_alone_is_named(yard):
    site_file, out = yard
    lay_out(site_file, out)

    def one(heads):
        low = heads["head_id"] == "F01-Z001-RX-low"
        heads.loc[low, "geometry"] = heads.loc[low, "geometry"].apply(lambda p: translate(p, 0.6, 0))
        return heads

    move_heads(out, one)
    lay_out(site_file, out, keep=True)
    (conflicts,) = layers(out, "conflicts")
    assert "F01-Z001-RX-low" in conflicts.loc[conflicts["rule"] == "heads of a post apart", "head_ids"].iloc[0]


def test_a_deleted_head_takes_its_beam_along_and_its_partner_is_named(yard):
    site_file, out = yard
    lay_out(site_file, out)
    move_heads(out, lambda heads: heads[heads["head_id"] != "F01-Z001-RX-low"])
    lay_out(site_file, out, keep=True)
    heads, beams, conflicts = layers(out, "heads", "beams", "conflicts")
    assert "F01-Z001-low" not in set(beams["beam_id"])
    assert "F01-Z001-TX-low" in set(heads["head_id"])
    named = conflicts[conflicts["rule"] == "head without a partner"]
    assert named["head_ids"].tolist() == ["F01-Z001-TX-low"]


def test_two_heads_of_one_role_are_refused_and_nothing_written(yard):
    site_file, out = yard
    lay_out(site_file, out)

    def both_send(heads):
        heads.loc[heads["head_id"] == "F01-Z001-RX-low", "role"] = "transmitter"
        return heads

    move_heads(out, both_send)
    before = (out / "plan.gpkg").read_bytes()
    with pytest.raises(InputError, match="F01-Z001-TX-low"):
        lay_out(site_file, out, keep=True)
    assert (out / "plan.gpkg").read_bytes() == before


def test_nothing_to_keep(yard):
    site_file, out = yard
    geotools.run_step("inspect", geotools.open_site(site_file), out)
    with pytest.raises(StepError, match="no heads to keep"):
        lay_out(site_file, out, keep=True)


def test_gate_and_keep_out_files(make_site, tmp_path):
    site_file = make_site(
        points=RING,
        inputs='gates = "gates.geojson"\nkeep_outs = "keep.geojson"\n',
        threats='["walk", "crawl"]',
        toml="[layout]\nsetback_m = 4.0\n",
    )
    write_fence(tmp_path / "gates.geojson", [line([(45, 15), (51, 15)])])
    hut = line([(85, 45), (81.5, 45), (81.5, 48), (85, 48)])
    write_fence(tmp_path / "keep.geojson", [hut])
    past_m = lay_out(site_file, tmp_path / "out").summary["run_past_junctions_m"]
    zones, beams = layers(tmp_path / "out", "zones", "beams")
    over = [z for z in zones.itertuples() if z.fence_from_m < 30 and z.fence_to_m > 36 and z.fence_to_m < 60]
    assert len(over) == 1
    # 6 m of gate, 2 m on both sides, and on both sides the neighbour's run past the junction and its own
    assert over[0].length_m == pytest.approx(6 + 2 * 2 + 4 * past_m, abs=0.2)
    figure = gpd.read_file(tmp_path / "keep.geojson").to_crs(beams.crs).geometry[0]
    # the middle of the beam is a Fresnel radius and 0.3 m off the hut; no beam comes nearer than the margin anywhere
    assert beams.geometry.distance(figure).min() > 0.3


def test_a_gate_far_from_the_fence_is_refused(make_site, tmp_path):
    site_file = make_site(points=RING, inputs='gates = "gates.geojson"\n')
    write_fence(tmp_path / "gates.geojson", [line([(50, 50), (52, 50)])])
    with pytest.raises(InputError, match="away from every fence"):
        lay_out(site_file, tmp_path / "out")


def test_narrow_double_fence_is_listed_with_its_place(make_site, tmp_path):
    inner = [(18.0, 18.0), (82.0, 18.0), (82.0, 83.6), (18.0, 83.6), (18.0, 18.0)]
    site_file = make_site(points=RING, toml='[layout]\nside = "between"\npost_clear_m = 0.5\n')
    write_fence(tmp_path / "fence.geojson", [line(RING), line(inner)])
    lay_out(site_file, tmp_path / "out")
    conflicts, widths, corridor = layers(tmp_path / "out", "conflicts", "widths", "corridor")
    # 1.4 m between the fences on the north side, where the beam wants 2.3 m
    narrow = widths[widths["fits"] == "no"]
    assert narrow["width_m"].min() == pytest.approx(1.4, abs=0.02)
    assert corridor["least_width_m"][0] == pytest.approx(1.4, abs=0.02)
    assert "corridor too narrow" in set(conflicts["rule"])
    assert "beam touches fence or keep-out" in set(conflicts["rule"])
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert summary["steps"]["layout"]["conflicts_found"] == len(conflicts)


def test_islands_are_laid_out_one_by_one(make_site, tmp_path):
    site_file = make_site(
        threats='["walk", "crawl"]', toml='[layout]\nside = "inside"\nsetback_m = 3.5\nclear_m = 8.0\n'
    )
    islands = [[(5, 5), (60, 5), (60, 95), (5, 95), (5, 5)], [(66, 30), (95, 30), (95, 70), (66, 70), (66, 30)]]
    write_fence(tmp_path / "fence.geojson", [line(points) for points in islands])
    lay_out(site_file, tmp_path / "out")
    zones, heads, conflicts = layers(tmp_path / "out", "zones", "heads", "conflicts")
    assert set(zones["fence_id"]) == {"F01", "F02"}
    for number, points in enumerate(islands, start=1):
        own = heads[heads["zone_id"].str.startswith(f"F{number:02d}-")]
        area = shapely.Polygon([(500_000 + x, 5_400_000 + y) for x, y in points])
        assert shapely.contains(area, own.geometry.force_2d()).all()
    # the smaller one has no room for beams that run past its corners: a ring all the same, each open corner is named
    small = conflicts["zone_id"].str.contains("F02-")
    assert set(conflicts.loc[~small, "rule"]) <= {"transmitter beside receiver", "zone length"}
    assert set(conflicts.loc[small, "rule"]) <= {"transmitter beside receiver", "zone length", "junction open"}


def test_a_stack_that_answers_no_threat_is_said(make_site, tmp_path):
    stack = '[[stack]]\nlevel = "low"\nhead_type = "24 GHz"\nheight_m = 0.3\n'
    threats = '["bridge"]\nfence_height_m = 2.44'
    site_file = make_site(points=RING, threats=threats, toml=f"[layout]\nsetback_m = 4.0\n{stack}")
    lay_out(site_file, tmp_path / "out")
    (conflicts,) = layers(tmp_path / "out", "conflicts")
    missed = conflicts[conflicts["rule"] == "stack misses bridge"].iloc[0]
    assert "over level ground" in missed["found"]
    assert "the stacks detect none of the threats" in set(conflicts["found"])


def test_a_clear_strip_narrower_than_the_set_back_is_told(make_site, tmp_path):
    site = geotools.open_site(make_site(toml="[layout]\nsetback_m = 4.0\nclear_m = 1.0\n"))
    geotools.run_step("inspect", site, tmp_path / "out")
    with pytest.raises(InfeasibleError, match="no ground for a post"):
        geotools.run_step("layout", site, tmp_path / "out")


def test_ground_that_must_not_be_dug_is_no_earthwork_but_blind(tmp_path):
    """A carriageway: beams cross it, and the remedy leaves its level alone (test_kept_ground)."""
    x = np.arange(0, 140, 0.5)[None, :]
    level = np.repeat(300.0 - 0.4 * np.exp(-(((x - 70) / 5) ** 2)), 100, axis=0)
    write_raster(tmp_path / "terrain.tif", level.astype(np.float32), cell=0.5, top=5_400_050.0)
    write_fence(tmp_path / "fence.geojson", [line([(20, 25), (118, 25)])])
    lane = line([(55, 10), (85, 10), (85, 45), (55, 45), (55, 10)])["coordinates"]
    write_keep_outs(tmp_path / "road.geojson", ("Lane", "road", {"type": "Polygon", "coordinates": [lane]}))
    site = (
        'name = "Lane"\nthreats = ["walk", "crawl"]\n[layout]\nside = "left"\n[input]\nfence = "fence.geojson"\n'
        'terrain = "terrain.tif"\nvertical_accuracy_m = 0.03\n'
    )
    found = {}
    for name, more in (("free", ""), ("held", 'keep_outs = "road.geojson"\n')):
        (tmp_path / "site.toml").write_text(site + more)
        lay_out(tmp_path / "site.toml", tmp_path / name)
        (zones,) = layers(tmp_path / name, "zones")
        found[name] = zones["earthwork_m3"].sum(), zones["left_open_m"].sum()
    assert found["free"][0] > 1.0 and found["free"][1] == 0.0
    # whatever stands elsewhere, nothing of the dip is graded
    assert found["held"][0] == 0.0 and found["held"][1] > 3.0
