"""The plan's own project in the desktop GIS: it opens as one map, wherever the folder was moved to."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import geotools
from geotools.engine.runner import run_site
from geotools.plan.schema.style import VERDICT_COLOURS

pytestmark = pytest.mark.gis
HERE = Path(__file__).parent
STEPS = ["inspect", "layout", "gaps"]


@pytest.fixture(scope="module")
def made(demo_input, tmp_path_factory):
    folder = tmp_path_factory.mktemp("project")
    run_site(geotools.open_site(demo_input / "site.toml"), folder / "out", steps=STEPS)
    return folder / "out"


def opened(gis, folder, *words):
    return gis.python(HERE / "open_project.py", folder / "plan.gpkg", *words)


def test_a_plan_opens_as_one_map_wherever_it_was_moved_to(gis, made, tmp_path):
    moved = tmp_path / "moved away"
    shutil.copytree(made, moved)
    answer = opened(gis, moved, tmp_path / "map.png")
    assert answer["opened"] and answer["errors"] == [] and answer["crs"] == "EPSG:32632"
    assert answer["title"] == "Invented pumping station"
    assert list(answer["groups"]) == [
        "Fence and verdicts",
        "Heads and beams",
        "Weak places",
        "Ground",
        "Other layers",
    ]
    layers = [layer for group in answer["groups"].values() for layer in group]
    assert all(layer["valid"] for layer in layers)
    # posts are a query over the project's own layer of heads
    assert all(layer["source"].startswith((str(moved), "?")) for layer in layers)
    assert not any(str(made) in layer["source"] for layer in layers)
    assert len({layer["id"] for layer in layers}) == len(layers)
    kinds = {layer["title"]: layer["renderer"] for layer in layers}
    assert kinds["Crawl gap"] == kinds["Modulation: prone"] == "singlebandpseudocolor"
    assert kinds["Heads"] == "categorizedSymbol"
    scales = {layer["title"]: layer["scale"] for layer in layers}
    assert scales["Heads"] == 5000 and scales["Fence line"] == 0
    tips = {layer["title"]: layer["tip"] for layer in layers}
    assert tips["Heads"].startswith("<b>Heads</b><br>head id: F01-Z001-") and "height (m): " in tips["Heads"]
    assert "[%" not in "".join(filter(None, tips.values()))
    # verdicts lie over all else, the worst of all threats on top; the ground is lowest
    order = [next(layer["title"] for layer in layers if layer["id"] == name) for name in answer["order"]]
    assert order[0] == "Verdicts along the fence: worst of all threats"
    assert order.index("Dead spots: crawl") < order.index("Dead spots: prone") < order.index("Heads")
    assert order.index("Beams") < order.index("Zones")
    pixels = np.asarray(Image.open(tmp_path / "map.png").convert("RGB")).reshape(-1, 3).astype(int)
    for verdict in ("detected", "unproven", "undetected"):
        colour = [int(VERDICT_COLOURS[verdict][i : i + 2], 16) for i in (1, 3, 5)]
        assert (np.abs(pixels - colour).max(axis=1) < 8).sum() > 300, f"{verdict} is not to be seen on the map"


def test_heads_go_and_verdicts_stay_where_the_whole_site_is_far_away(gis, made, tmp_path):
    opened(gis, made, tmp_path / "far.png", "8000")
    pixels = np.asarray(Image.open(tmp_path / "far.png").convert("RGB")).reshape(-1, 3).astype(int)
    transmitter, detected = (213, 94, 0), [int(VERDICT_COLOURS["detected"][i : i + 2], 16) for i in (1, 3, 5)]
    assert (np.abs(pixels - detected).max(axis=1) < 8).sum() > 100
    near, far = tmp_path / "near.png", pixels
    opened(gis, made, near, "1500")
    close = np.asarray(Image.open(near).convert("RGB")).reshape(-1, 3).astype(int)
    heads = [(np.abs(shown - transmitter).max(axis=1) < 8).sum() for shown in (close, far)]
    assert heads[0] > 5 * max(heads[1], 1)


def test_the_layout_prints_on_a3_with_its_legend(gis, made, tmp_path):
    answer = gis.python(HERE / "print_layout.py", made / "plan.gpkg", tmp_path / "paper.png")
    assert answer["code"] == 0 and answer["page"] == [420, 297] and answer["linked"] == [True, True]
    assert answer["scale"] == pytest.approx(1000, rel=1e-6)
    # nothing of the legend under the scale bar; 2 x 10 m of bar at 1:1000
    assert answer["legend"][0] < answer["legend"][1] and answer["bar"] == [10, 2]
    pixels = np.asarray(Image.open(tmp_path / "paper.png").convert("RGB")).astype(int)
    assert pixels.shape[:2] == (1169, 1653)
    undetected = [int(VERDICT_COLOURS["undetected"][i : i + 2], 16) for i in (1, 3, 5)]
    found = np.argwhere(np.abs(pixels - undetected).max(axis=2) < 8)
    # on the map, and in the legend right of it
    assert (found[:, 1] < 1250).sum() > 100 and (found[:, 1] > 1280).sum() > 50


def test_a_project_and_default_styles_saved_in_the_gis_outlive_the_next_run(gis, made, demo_input, tmp_path):
    own = tmp_path / "own"
    shutil.copytree(made, own)
    done = subprocess.run(
        ["/usr/bin/python3", HERE / "open_project.py", own / "plan.gpkg", tmp_path / "a.png"],
        env=gis.environment | {"SAVE_PROJECT": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert '"saved": true' in done.stdout
    mine = {name: ["singleSymbol", "#12ab34", "my words"] for name in ("dead_spots", "verdicts")}
    saved = gis.python(HERE / "own_style.py", own / "plan.gpkg", "save")
    assert saved == {"problems": ["", ""], "asked": 1} | mine
    subprocess.run(
        [sys.executable, "-m", "geotools", "gaps", str(demo_input / "site.toml"), "--out", str(own), "--overwrite"],
        check=True,
        capture_output=True,
        env=os.environ | {"PYTHONPATH": str(HERE.parents[1])},
    )
    assert opened(gis, own, tmp_path / "b.png")["title"] == "Changed by a person"
    assert gis.python(HERE / "own_style.py", own / "plan.gpkg", "look") == {"problems": [], "asked": 0} | mine


@pytest.fixture(scope="module")
def window(gis, made, demo_input, tmp_path_factory):
    """The job played in the GIS's window: see window.py."""
    folder = tmp_path_factory.mktemp("window")
    shutil.copytree(made, folder / "out")
    told = {name: str(folder / f"{name}.png") for name in ("picture", "form")}
    site, batch = str(demo_input / "site.toml"), [str(folder / name) for name in ("one", "two")]
    answer = gis.window(
        HERE / "window.py", folder / "answer.json", out=str(folder / "out"), site=site, height=0.35, batch=batch, **told
    )
    return folder, answer


def test_heads_are_edited_and_steps_run_while_every_layer_is_loaded_in_the_window(window):
    folder, answer = window
    assert answer["opened"] and answer["saved"] and answer["valid"]
    assert answer["mode"] == "0202", "the GIS did not keep the file in write-ahead mode: this says nothing"
    assert answer["whole"] == "ok"
    # the layers that were there show the new results, and none came twice
    assert answer["same"] and answer["low"][0] == 0.35 and answer["verdicts"] > 20
    pixels = np.asarray(Image.open(folder / "picture.png").convert("RGB")).reshape(-1, 3).astype(int)
    undetected = [int(VERDICT_COLOURS["undetected"][i : i + 2], 16) for i in (1, 3, 5)]
    assert (np.abs(pixels - undetected).max(axis=1) < 8).sum() > 100, "the map in the window shows no verdict"
    assert answer["relations"] == ["posts_heads", "zones_beams", "zones_heads", "zones_posts"] and answer["posts"] > 8


def test_results_are_added_in_groups_and_not_twice(window):
    _, answer = window
    groups = list(dict.fromkeys(name.split("/")[1] for name in answer["tree"]))
    assert {name.split("/")[0] for name in answer["tree"]} == {"Invented pumping station"}
    assert groups == ["Fence and verdicts", "Heads and beams", "Weak places", "Ground"]
    names = [name.split("/")[2] for name in answer["tree"]]
    assert len(set(names)) == len(names) == answer["count"]
    # in the order of the plan's own map, switched on as there; rasters are among them
    assert names.index("Verdicts along the fence: worst of all threats") < names.index("Zones")
    assert "Crawl gap" in names and "Modulation: prone" in names
    on = {name.split("/")[2] for name, shown in answer["tree"].items() if shown}
    assert "Heads" in on and "Crawl gap" not in on
    assert set(answer["first"]) < set(answer["tree"])


def test_steps_stand_in_models_and_batches(window):
    _, answer = window
    assert answer["through"] == ["undetected"] and answer["batch"] == [True, True]
