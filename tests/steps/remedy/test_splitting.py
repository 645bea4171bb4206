"""Shorter zones: no worse than any other places for the posts, and the answer where nothing else closes a zone."""

from __future__ import annotations

from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest

from geotools.detection.cases import length_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.applied import apply_proposal
from geotools.engine import batching
from geotools.engine.runner import Job
from geotools.plan.moving import parts_of
from geotools.plan.schema import ADVICE, GRADINGS, OPTIONS, PROPOSED_HEADS
from geotools.site import open_site
from geotools.steps.remedy.splitting import SplitLimits, _places, shorter_zones
from tests.invented_ground import RULES, Formula, zone
from tests.making import line, write_fence, write_raster

LIMITS = SplitLimits(8.0, 10.0)
#: Two crests and the low ground behind them; m.
GROUNDS = {
    "crest": lambda x, y: 100 + 0.9 * np.exp(-(((x - 55) / 14) ** 2)),
    "two crests": lambda x, y: 100 + 0.8 * np.exp(-(((x - 32) / 9) ** 2)) + 0.9 * np.exp(-(((x - 70) / 9) ** 2)),
    "step": lambda x, y: 100 + 0.7 / (1 + np.exp(-(x - 45) / 2.5)),
}


def left_by(perimeter: Perimeter, cuts: tuple[float, ...]) -> float:
    """Dead length in a run of all parts together."""
    whole = perimeter.zones["Z1"]
    parts = parts_of(whole, cuts, LIMITS.overlap_m / 2)
    trial = perimeter.with_zones({"Z1": parts})
    return sum(trial.dead_length(part.zone_id, trial.dead(part.zone_id)) for part in parts)


@pytest.mark.parametrize("name", GROUNDS)
def test_no_other_choice_of_the_places_leaves_less(name: str) -> None:
    perimeter = Perimeter([zone()], Formula(GROUNDS[name]), RULES)
    places = _places(perimeter, perimeter.zones["Z1"], 18.0)[1:-1]
    found = shorter_zones(perimeter, "Z1", SplitLimits(LIMITS.overlap_m, 18.0))
    assert found
    before = perimeter.dead_length("Z1", perimeter.dead("Z1"))
    ends = (0.0, *places, perimeter.zones["Z1"].line.length)
    assert set(found[-1].cuts) <= set(ends)
    count = len(found[0].cuts)
    tried = [
        left_by(perimeter, cuts) for cuts in combinations(places, count) if min(np.diff((0.0, *cuts, ends[-1]))) >= 18.0
    ]
    mine = left_by(perimeter, found[0].cuts)
    # the search adds up stretches solved alone, with open ends: a node's share of each part is what that may miss
    assert mine <= min(tried) + RULES.spacing_m * (count + 1)
    assert mine < before


def test_the_beams_of_all_stretches_from_an_end_are_solved_in_one_go_and_those_between_in_another(monkeypatch) -> None:
    perimeter = Perimeter([zone()], Formula(GROUNDS["two crests"]), RULES)
    limits = SplitLimits(LIMITS.overlap_m, 18.0)
    goes: list[int] = []
    look_at = batching.look_at
    monkeypatch.setattr(batching, "look_at", lambda asked: goes.append(len(asked)) or look_at(asked))
    found = shorter_zones(perimeter, "Z1", limits)
    places = _places(perimeter, perimeter.zones["Z1"], 18.0)
    stretches = [(i, j) for i, j in combinations(range(len(places)), 2) if places[j] - places[i] >= 18.0 - 1e-9]
    between = [(i, j) for i, j in stretches if i > 0 and j < len(places) - 1]
    heads = len(zone().pairs)
    assert len(between) > 2 and goes == [heads * (len(stretches) - len(between)), heads * len(between)]
    # each stretch alone, beam by beam, leaves the same
    for splitting in found:
        edges = (0.0, *splitting.cuts, float(places[-1]))
        left = 0.0
        for start, end in pairwise(edges):
            (part,) = parts_of(zone(), (), LIMITS.overlap_m / 2, (start, end))
            alone = Perimeter([part], perimeter.ground, RULES)
            at = alone.grids[part.zone_id].chainage_m
            core = (at >= min(4.0, start) - 1e-9) & (at <= min(4.0, start) + end - start + 1e-9)
            left += length_of(np.any(list(alone.dead(part.zone_id).values()), axis=0) & core, at)
        assert splitting.dead_m == pytest.approx(left, abs=1e-9)
    assert not perimeter.standing_db  # nothing of what was tried is known of the zone as it stands


def test_parts_cover_the_zone_and_run_past_each_other() -> None:
    whole = zone()
    parts = parts_of(whole, (30.0, 64.0), 4.0)
    ends = [whole.line.from_map(np.array([p.line.x0, p.line.x1]), np.array([p.line.y0, p.line.y1]))[0] for p in parts]
    np.testing.assert_allclose(ends, [[0, 34], [26, 68], [60, whole.line.length]], atol=1e-9)
    assert [part.zone_id for part in parts] == ["Z1a", "Z1b", "Z1c"]


def test_a_zone_too_short_for_a_post_is_left_whole() -> None:
    perimeter = Perimeter([zone(length=19.0)], Formula(GROUNDS["step"]), RULES)
    assert shorter_zones(perimeter, "Z1", LIMITS) == []


def test_where_earth_and_heights_do_not_help_shorter_zones_close_it(tmp_path: Path) -> None:
    """Two crests of natural ground where nothing may be dug; what is advised is applied and asked again."""
    x = np.arange(0, 140, 0.5)[None, :]
    level = 300 + 0.02 * x + 0.55 * np.exp(-(((x - 50) / 14) ** 2)) + 0.6 * np.exp(-(((x - 88) / 14) ** 2))
    write_raster(tmp_path / "terrain.tif", np.repeat(level, 100, axis=0).astype(np.float32), cell=0.5, top=5_400_050.0)
    write_fence(tmp_path / "fence.geojson", [line([(20, 25), (118, 25)])])
    keep = {"type": "Polygon", "coordinates": [line([(0, 0), (140, 0), (140, 50), (0, 50), (0, 0)])["coordinates"]]}
    write_fence(tmp_path / "no_dig.geojson", [keep])
    (tmp_path / "site.toml").write_text(
        'name = "Two crests"\nthreats = ["walk", "crawl", "prone"]\n[input]\nfence = "fence.geojson"\n'
        'terrain = "terrain.tif"\nvertical_accuracy_m = 0.03\n[layout]\nside = "left"\n'
        '[grading]\nno_dig = "no_dig.geojson"\n'
    )
    site = open_site(tmp_path / "site.toml")
    with Job(site, tmp_path / "out") as job:
        for step in ("inspect", "layout", "gaps", "heights", "remedy"):
            job.run(step)
        options, advice = job.workspace.read(OPTIONS), job.workspace.read(ADVICE)
        assert job.outcomes[-1].summary["left_open"] == []
    taken = options[options.recommended.astype(bool)]
    assert "split" in set(taken.option) and taken.clear.all() and len(advice)
    split = taken[taken.option == "split"]
    assert (split.dead_before_m > 1.0).all() and (split.dead_after_m == 0.0).all()
    made = apply_proposal(site, tmp_path / "out", tmp_path / "proposed")
    with Job(open_site(made.site_file), made.plan.parent, overwrite=True) as job:
        job.run("gaps")
        verdicts = job.outcomes[-1].summary["verdicts"]
    assert all(lengths["undetected"] == 0.0 for lengths in verdicts.values())


def test_what_posts_alone_leave_open_is_closed_by_earth_in_one_of_the_parts(tmp_path: Path) -> None:
    """A crest that must not be dug and a dip that no shorter zone sees into: neither earth nor posts alone close it."""
    x = np.arange(0, 140, 0.5)[None, :]
    level = 300 + 0.6 * np.exp(-(((x - 55) / 14) ** 2)) - 0.25 * np.exp(-(((x - 100) / 3) ** 2))
    write_raster(tmp_path / "terrain.tif", np.repeat(level, 100, axis=0).astype(np.float32), cell=0.5, top=5_400_050.0)
    write_fence(tmp_path / "fence.geojson", [line([(20, 25), (118, 25)])])
    keep = {"type": "Polygon", "coordinates": [line([(0, 0), (78, 0), (78, 50), (0, 50), (0, 0)])["coordinates"]]}
    write_fence(tmp_path / "no_dig.geojson", [keep])
    (tmp_path / "site.toml").write_text(
        'name = "Crest and dip"\nthreats = ["walk", "crawl", "prone"]\n[input]\nfence = "fence.geojson"\n'
        'terrain = "terrain.tif"\nvertical_accuracy_m = 0.03\n[layout]\nside = "left"\n'
        'dead_ground_m = 0.0\n[grading]\nno_dig = "no_dig.geojson"\n'
    )
    site = open_site(tmp_path / "site.toml")
    with Job(site, tmp_path / "out") as job:
        for step in ("inspect", "layout", "gaps", "remedy", "grade", "report"):
            job.run(step)
        options, heads = job.workspace.read(OPTIONS), job.workspace.read(PROPOSED_HEADS)
        gradings = job.workspace.read(GRADINGS)
    taken = options[options.recommended.astype(bool)]
    assert "split_and_grade" in set(taken.option) and taken.clear.all()
    mixed = taken[taken.option == "split_and_grade"].iloc[0]
    parts = set(heads[heads.stands_for == mixed.zone_id].zone_id)
    assert len(parts) > 1 and set(gradings.zone_id) <= parts and gradings.clear.all()
    for column, total in (("cut_grid_m3", "cut_m3"), ("fill_grid_m3", "fill_m3")):
        assert gradings[column].sum() == pytest.approx(mixed[total], abs=1e-6)
    made = apply_proposal(site, tmp_path / "out", tmp_path / "proposed")
    with Job(open_site(made.site_file), made.plan.parent, overwrite=True) as job:
        job.run("gaps")
        verdicts = job.outcomes[-1].summary["verdicts"]
    assert all(lengths["undetected"] == 0.0 for lengths in verdicts.values())
