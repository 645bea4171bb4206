"""The page to explore: small enough, the same each time, harmless whatever is in the names, true to the plan."""

import json
import re
import shutil

import geopandas as gpd
import pytest

import geotools
from geotools.engine.runner import Job, run_site
from geotools.plan.locks import Locks
from geotools.plan.schema import DEAD_SPOTS, VERDICTS

MEGABYTE = 1_000_000


def data_of(folder):
    text = (folder / "explore.html").read_text("utf-8")
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)[1])


def test_the_page_is_one_file_under_six_megabytes(explored):
    page = explored / "explore.html"
    assert 100_000 < page.stat().st_size < 6 * MEGABYTE
    text = page.read_text("utf-8")
    assert "alert(1)" in text and "<script>alert(1)" not in text
    head = text[: text.index("</style>")]
    assert not re.search(r"<(link|script|img)[^>]+(src|href)=", head + text[-20_000:])


def test_the_page_is_the_same_bytes_each_time(explored, tmp_path):
    again = tmp_path / "demo"
    shutil.copytree(explored.parent, again)
    site = geotools.open_site(again / "input" / "site.toml")
    run_site(site, again / "out", steps=["explore"], overwrite=True)
    assert (again / "out" / "explore.html").read_bytes() == (explored / "explore.html").read_bytes()


def test_the_page_holds_every_pair_of_heights_and_todays_are_those_of_the_plan(explored):
    data = data_of(explored)
    for zone in data["zones"]:
        assert len(zone["cases"]) == len(zone["tx"]) * len(zone["rx"]) >= 9
        tx, rx = (zone[end][at] for end, at in zip(("tx", "rx"), zone["now"], strict=True))
        assert {"level": zone["level"], "tx": tx, "rx": rx} in zone["beams"]
        assert all(len(case["gap"]) == len(zone["chainage"]) for case in zone["cases"])


def test_dead_length_on_the_page_is_that_of_the_layer(explored):
    data = data_of(explored)
    site = geotools.open_site(explored.parent / "input" / "site.toml")
    with Job(site, explored, overwrite=True) as job:
        spots = job.workspace.read(DEAD_SPOTS)
    assert len(spots) > 5
    for zone in data["zones"]:
        case = zone["cases"][zone["now"][0] * len(zone["rx"]) + zone["now"][1]]
        for threat, length in case["length"].items():
            mine = spots[(spots["zone_id"] == zone["zone"]) & (spots["threat"] == threat)]
            assert length == pytest.approx(mine["length_m"].sum(), abs=0.001)
            assert [run[0] for run in case["dead"][threat]] == pytest.approx(sorted(mine["from_m"]), abs=0.01)


def test_a_plan_without_verdicts_has_a_page_too(laid_out, tmp_path):
    shutil.copytree(laid_out, tmp_path / "demo")
    site = geotools.open_site(tmp_path / "demo" / "input" / "site.toml")
    run_site(site, tmp_path / "demo" / "out", steps=["explore"])
    data = data_of(tmp_path / "demo" / "out")
    assert data["map"]["verdicts"] == [] and len(data["zones"]) == 8


@pytest.mark.parametrize(("most", "locked"), [(0, 0), (3, 1)])
def test_only_so_many_zones_have_heights_to_move_those_with_dead_ground_first(
    with_gaps, tmp_path, monkeypatch, most, locked
):
    """Heads that are locked are none of them: no slider moves what a person said stays."""
    monkeypatch.setattr("geotools.steps.explore.step.MOST_ZONES", most)
    shutil.copytree(with_gaps, tmp_path / "demo")
    spots = gpd.read_file(tmp_path / "demo" / "out" / "plan.gpkg", layer="dead_spots")
    weak = sorted(set(spots["zone_id"]))[:locked]
    locks = Locks(heads={(name, "low"): (f"{name}-TX-low",) for name in weak} | {(n, "main"): () for n in weak})
    monkeypatch.setattr("geotools.steps.explore.step.locks_of", lambda *_: locks)
    site = geotools.open_site(tmp_path / "demo" / "input" / "site.toml")
    (outcome,) = run_site(site, tmp_path / "demo" / "out", steps=["explore"])
    assert any(f"heights can be moved in {most} zones" in note for note in outcome.notes)
    zones = data_of(tmp_path / "demo" / "out")["zones"]
    movable = [zone for zone in zones if len(zone["cases"]) > 1]
    assert len(movable) == most - locked
    for zone in movable:
        assert any(case["length"][t] > 0 for case in zone["cases"] for t in case["length"])
    said = {zone["zone"]: zone["locked"] for zone in zones if zone["locked"]}
    assert set(said) == set(weak)
    assert all(f"{name}-TX-low" in text and "not set to another height" in text for name, text in said.items())


def test_the_worst_of_all_threats_is_on_the_map(explored):
    site = geotools.open_site(explored.parent / "input" / "site.toml")
    with Job(site, explored, overwrite=True) as job:
        said = job.workspace.read(VERDICTS)
    worst = said[said["threat"] == "all"]
    assert [v["verdict"] for v in data_of(explored)["map"]["verdicts"]] == worst["verdict"].tolist()
