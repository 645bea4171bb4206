"""The channels step on whole sites: margins worked out again by hand formulas, refusals, channels set by hand."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pytest

import geotools
from geotools.errors import InfeasibleError, InputError
from tests.making import laid_out_copy, line, write_fence


def heads_of(out):
    return gpd.read_file(out / "plan.gpkg", layer="heads").set_index("head_id")


@pytest.fixture
def straight(tmp_path_factory, tmp_path):
    """Flat ground, one straight fence of 88 m in zones of at most 25 m: four or five in line, one main head each."""
    return laid_out_copy(
        tmp_path_factory,
        tmp_path,
        "channels_straight",
        points=((6.0, 50.0), (94.0, 50.0)),
        threats='["walk"]',
        toml='[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 25.0\nmin_zone_m = 5.0\noverlap_m = 2.0\n',
    )


def by_hand(heads, protection=15.0, lobe=30.0):
    """Margin of each receiver against each foreign transmitter: ITU-R P.525 and two Gaussian patterns, flat ground."""
    found = {}
    for r, t in itertools.product(
        heads[heads.role == "receiver"].itertuples(), heads[heads.role == "transmitter"].itertuples()
    ):
        if r.band_ghz != t.band_ghz:
            continue

        def level(tx, rx):
            dx, dy = tx.geometry.x - rx.geometry.x, tx.geometry.y - rx.geometry.y
            d = np.hypot(dx, dy)
            loss = 32.4478 + 20 * np.log10(tx.band_ghz * 1e3) + 20 * np.log10(d / 1e3)
            for head, way in ((rx, (dx, dy)), (tx, (-dx, -dy))):
                off = (np.degrees(np.arctan2(*way)) - head.azimuth_deg + 180) % 360 - 180
                loss += min(12.0412 * (off / 6.0) ** 2, lobe)
            return -loss

        own = next(
            x for x in heads.itertuples() if x.zone_id == r.zone_id and x.level == r.level and x.role == "transmitter"
        )
        if t.zone_id != r.zone_id:
            found[r.Index, t.Index] = level(own, r) - level(t, r) - protection
    return found


def test_margins_are_those_of_the_formulas(straight):
    site_file, out = straight
    outcome = geotools.run_step("channels", geotools.open_site(site_file), out)
    heads = heads_of(out)
    margins = by_hand(heads)
    for name, head in heads[heads.role == "receiver"].iterrows():
        shared = {t: m for (r, t), m in margins.items() if r == name and heads.channel[t] == head.channel}
        if not shared:
            assert np.isnan(head.margin_db)
            continue
        # level ground between the heads costs nothing: the beams clear it by more than the knife edge begins at
        assert head.margin_db == pytest.approx(min(shared.values()), abs=0.02)
        assert head.interferer_head_id == min(shared, key=shared.get)
        assert head.margin_db >= 0
    assert outcome.summary["optimality_shown"] is True


def test_fewest_channels_and_largest_margin_by_trying_all(straight):
    site_file, out = straight
    outcome = geotools.run_step("channels", geotools.open_site(site_file), out)
    heads = heads_of(out)
    zones = sorted(set(heads.zone_id))
    pair = {}
    for (r, t), m in by_hand(heads).items():
        key = frozenset((heads.zone_id[r], heads.zone_id[t]))
        pair[key] = min(m, pair.get(key, np.inf))
    best = (99, -np.inf)
    for choice in itertools.product(range(len(zones)), repeat=len(zones)):
        same = [
            pair[frozenset((a, b))]
            for (a, p), (b, q) in itertools.combinations(zip(zones, choice, strict=True), 2)
            if p == q
        ]
        least = min(same, default=60.0)
        if least >= 0 and (len(set(choice)), -least) < (best[0], -best[1]):
            best = (len(set(choice)), least)
    assert outcome.summary["channels"] == best[0]
    assert outcome.summary["least_margin_db"] == pytest.approx(best[1], abs=0.02)


@pytest.mark.parametrize("available", [3, 4])
def test_all_channels_there_are_are_used_with_the_largest_margin_by_trying_all(straight, settings, available):
    site_file, out = straight
    site = settings(site_file, f"[channels]\navailable = {available}\n")
    outcome = geotools.run_step("channels", site, out)
    heads = heads_of(out)
    zones = sorted(set(heads.zone_id))
    pair = {}
    for (r, t), m in by_hand(heads).items():
        key = frozenset((heads.zone_id[r], heads.zone_id[t]))
        pair[key] = min(m, pair.get(key, np.inf))
    best = -np.inf
    for choice in itertools.product(range(available), repeat=len(zones)):
        pairs = itertools.combinations(zip(zones, choice, strict=True), 2)
        best = max(best, min(pair[frozenset((a, b))] for (a, p), (b, q) in pairs if p == q))
    assert heads["channel"].nunique() == available
    assert outcome.summary["least_margin_db"] == pytest.approx(best, abs=0.02)


def test_the_stack_of_a_zone_shares_one_channel(plan):
    site_file, out = plan
    geotools.run_step("channels", geotools.open_site(site_file), out)
    heads = heads_of(out)
    assert (heads.groupby("zone_id")["channel"].nunique() == 1).all()
    assert heads["channel"].min() == 1


def test_without_a_number_of_channels_the_need_is_said(plan, settings):
    site_file, out = plan
    need = geotools.run_step("channels", geotools.open_site(site_file), out)
    count = need.summary["channels"]
    assert need.summary["available"] is None and any(
        f"{count} channel" in note and "needed for" in note for note in need.notes
    )
    site = settings(site_file, "[channels]\navailable = 4\n")
    outcome = geotools.run_step("channels", site, out)
    assert any("4 of 4 channels" in note for note in outcome.notes)
    assert outcome.summary["fewest_for_pairs"] <= count


def test_beams_of_a_stack_can_have_channels_of_their_own(plan, settings):
    site_file, out = plan
    # with 60 dB between wanted and unwanted signal, crossed polarisation alone does not keep one band's beams apart
    site = settings(
        site_file,
        """[channels]
protection_db = 60.0
shared_in_stack = false

[[stack]]
level = "main"
head_type = "10 GHz"
height_m = 0.9

[[stack]]
level = "top"
head_type = "10 GHz"
height_m = 2.4
min_height_m = 1.2
""",
    )
    geotools.run_step("layout", site, out, overwrite=True)
    geotools.run_step("channels", site, out)
    heads = heads_of(out)
    assert (heads.groupby(["zone_id", "level"])["channel"].nunique() == 1).all()
    assert (heads.groupby("zone_id")["channel"].nunique() == 2).all()


def test_too_few_channels_names_zones_and_heads_and_writes_nothing(straight, settings):
    site_file, out = straight
    before = (out / "plan.gpkg").read_bytes()
    site = settings(site_file, "[channels]\navailable = 1\nprotection_db = 30.0\n")
    with pytest.raises(InfeasibleError, match=r"F01-Z\d{3}-TX-main") as problem:
        geotools.run_step("channels", site, out)
    assert "channels.available" in str(problem.value)
    assert (out / "plan.gpkg").read_bytes() == before


def test_channels_set_by_hand_stay_and_are_judged(straight, settings):
    site_file, out = straight
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    by_layout = gpd.read_file(out / "plan.gpkg", layer="conflicts")["conflict_id"].tolist()
    heads["channel"] = 4
    heads.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")
    site = settings(site_file, "[channels]\nprotection_db = 30.0\n")
    geotools.run_step("channels", site, out, keep=True)
    assert set(heads_of(out)["channel"]) == {4}
    conflicts = gpd.read_file(out / "plan.gpkg", layer="conflicts")
    named = conflicts[conflicts["rule"] == "channel received by a foreign receiver"]
    worst = {r for (r, t), m in by_hand(heads_of(out), protection=30.0).items() if m < 0}
    assert {ids.split()[0] for ids in named["head_ids"]} == worst
    # what the layout found before is still there
    assert conflicts.loc[conflicts["step"] == "layout", "conflict_id"].tolist() == by_layout


def lock(out, change):
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    change(heads)
    heads.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")


def test_a_locked_channel_stays_and_the_others_are_given_out_around_it(straight, settings):
    site_file, out = straight
    site = settings(site_file, "[channels]\navailable = 4\n")
    geotools.run_step("channels", site, out)
    before = heads_of(out)
    zone = before["zone_id"].iloc[0]

    def change(heads):
        heads.loc[heads["zone_id"] == zone, ["channel", "locked"]] = [4, "channel"]

    lock(out, change)
    geotools.run_step("channels", site, out)
    after = heads_of(out)
    assert set(after.loc[after["zone_id"] == zone, "channel"]) == {4}
    assert after["channel"].nunique() == 4
    assert (after["margin_db"].dropna() >= 0).all()
    changes = gpd.read_file(out / "plan.gpkg", layer="changes")
    moved = {
        z
        for z in set(before["zone_id"]) - {zone}
        if set(before.channel[before.zone_id == z]) != set(after.channel[after.zone_id == z])
    }
    assert set(changes.loc[changes["step"] == "channels", "subject_id"]) == moved
    assert (changes.loc[changes["step"] == "channels", "price"] == 0).all()


@pytest.mark.parametrize("channel", [9, None])
def test_a_lock_to_a_channel_that_there_is_not_is_refused(straight, settings, channel):
    site_file, out = straight
    site = settings(site_file, "[channels]\navailable = 4\n")

    def change(heads):
        heads.loc[0, "channel"], heads.loc[0, "locked"] = channel, "all"

    lock(out, change)
    with pytest.raises(InputError, match="locked"):
        geotools.run_step("channels", site, out)


def test_a_zone_with_two_channels_is_refused(straight):
    site_file, out = straight
    heads = gpd.read_file(out / "plan.gpkg", layer="heads")
    heads["channel"] = np.arange(len(heads))
    heads.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")
    with pytest.raises(InputError, match="one channel"):
        geotools.run_step("channels", geotools.open_site(site_file), out, keep=True)


def test_a_ridge_between_two_yards_lets_them_share_a_channel(make_site, tmp_path, settings):
    """Two lines that look at each other along one axis: apart only by the ground between them."""
    flat = np.full((100, 100), 250.0, np.float32)
    ridge = flat.copy()
    ridge[:, 48:52] = 256.0
    counts = {}
    for name, ground in (("flat", flat), ("ridge", ridge)):
        site_file = make_site(
            heights=ground,
            threats='["walk"]',
            toml='[layout]\nside = "left"\nsetback_m = 4.0\n\n[channels]\nprotection_db = 30.0\n',
        )
        write_fence(tmp_path / "fence.geojson", [line([(5, 50), (40, 50)]), line([(60, 50), (95, 50)])])
        out = tmp_path / name
        site = geotools.open_site(site_file)
        for step in ("inspect", "layout", "channels"):
            geotools.run_step(step, site, out)
        counts[name] = heads_of(out)["channel"].nunique()
    assert counts == {"flat": 2, "ridge": 1}
