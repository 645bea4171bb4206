"""The plugin at work in the desktop GIS itself, without a screen.

Red where a declaration does not become an algorithm, its layers are not handed back, a site cannot be described in the
dialog alone, a failed run leaves something behind, or a message speaks of the command line.
"""

import json
import subprocess
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from PIL import Image
from shapely import Polygon

from geotools.cli import cli
from geotools.site import open_site

pytestmark = pytest.mark.gis
HERE = Path(__file__).parent
#: Parameters without which a step refuses to run: the ground as it was is a survey too.
MUST_BE_GIVEN = {"asbuilt": {"SURVEY": lambda demo: str(demo / "terrain.tif")}}


def id_of(name):
    return name.replace(".", "_").replace("-", "_").upper()


def play(gis, folder, *calls):
    """Algorithms one after another in one process of the GIS's Python."""
    listed = folder / "calls.json"
    listed.write_text(json.dumps(calls))
    return gis.python(HERE / "play.py", listed)


@pytest.fixture(scope="session")
def contract(gis):
    done = subprocess.run([*gis.command, "steps", "--json"], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)["steps"]


@pytest.fixture(scope="session")
def plan(gis, demo_input, contract, tmp_path_factory):
    """A plan made in the GIS from a fence layer and a raster: new site file, the whole job, and what it leaves out."""
    folder = tmp_path_factory.mktemp("plan")
    site, out = folder / "site.toml", folder / "out"
    words = [f"FENCE={demo_input / 'fence.geojson'}", f"TERRAIN={demo_input / 'terrain.tif'}"]
    made = gis.process("run", "perimeter:new", "--", *words, "NAME=Yard", f"SITE={site}")
    assert made["results"]["SITE"] == str(site)
    given = {"SITE": str(site), "OUT": str(out), "OVERWRITE": True}
    others = [step["name"] for step in contract if step["order"] == 0]
    calls = [
        [name, given | {param: value(demo_input) for param, value in MUST_BE_GIVEN.get(name, {}).items()}]
        for name in ("run", *others)
    ]
    played = play(gis, folder, *calls)
    answers = dict(zip(("run", *others), played["answers"], strict=True))
    assert all(answer.get("done") for answer in answers.values()), answers
    return out, answers, site, played


def test_every_step_is_an_algorithm_made_from_its_declaration(gis, plan, contract):
    listed = gis.process("list")["providers"]["perimeter"]["algorithms"]
    assert set(listed) == {f"perimeter:{s['name']}" for s in contract} | {"perimeter:new", "perimeter:run"}
    assert "perimeter:fence-ends" in listed
    for step in contract:
        shown = plan[3]["algorithms"][step["name"]]
        assert shown["title"] == step["title"] and shown["can"]
        for param in step["params"]:
            assert shown["parameters"][id_of(param["name"])]["help"] == param["help"]
        assert {id_of(o["layer"]) for o in step["outputs"]} <= set(shown["outputs"])
        for item in step["files"]:
            if item["name"].endswith(".tif"):
                assert shown["outputs"][id_of(item["name"])] == "outputRaster"
        # one case, and nothing that an expression or a script would stumble over
        for name in (*shown["parameters"], *shown["outputs"]):
            assert name.isidentifier() and name == name.upper(), name


def test_the_provider_is_there_in_three_tenths_of_a_second(plan):
    # processor time: on a busy machine the clock tells of others
    assert plan[3]["load"]["processor"] < 0.3 and plan[3]["warning"] == ""


def test_every_step_runs_and_hands_back_its_layers(plan, contract):
    out, answers, _, _ = plan
    held = set(pyogrio.list_layers(out / "plan.gpkg")[:, 0])
    for step in contract:
        for output in step["outputs"]:
            assert output["layer"] in held
            given = answers["run" if step["order"] else step["name"]]["results"][id_of(output["layer"])]
            assert given.endswith(f"layername={output['layer']}")
    assert answers["run"]["results"]["CRAWL_GAP_TIF"] == str(out / "crawl_gap.tif")


def test_what_an_algorithm_asks_for_is_what_the_command_takes(plan, contract):
    for step in contract:
        words = plan[3]["algorithms"][step["name"]]["options"]
        if step["name"] != "fence-ends":
            cli.get_command(None, step["name"]).make_context(step["name"], ["site.toml", "--out", "out", *words])


def test_a_parameter_reaches_a_plugged_in_step(gis, plan):
    out, _, site, _ = plan
    words = ["run", "perimeter:fence-ends", "--", f"SITE={site}", f"OUT={out}"]
    gis.process(*words, "OVERWRITE=true", "SHIFT_M=-2.5")
    assert set(pyogrio.read_dataframe(out / "plan.gpkg", layer="fence_ends")["shift_m"]) == {-2.5}


def test_a_site_is_described_in_the_dialog_alone_and_errors_speak_of_the_dialog(gis, plan, demo_input, tmp_path):
    """Without a site file: what the dialog says stands in the one that is made; failures leave nothing behind."""
    box = gpd.read_file(demo_input / "fence.geojson")
    area = Polygon(box.geometry.iloc[0].coords)
    gpd.GeoDataFrame({"height_m": [2.4]}, geometry=[area], crs=box.crs).to_file(tmp_path / "areas.gpkg")
    layers = {"FENCE": str(tmp_path / "areas.gpkg"), "TERRAIN": str(demo_input / "terrain.tif")}
    told = {"THREATS": ["walk", "prone"], "THRESHOLD": 0.25, "SIDE": "outside", "VERTICAL_ACCURACY_M": 0.05}
    told |= {"PRICE_CUT_M3": 21.0, "PRICE_CURRENCY": "CHF"}
    made = tmp_path / "made"
    wrong = tmp_path / "away" / "deep"
    out, _, site, _ = plan
    answers = play(
        gis,
        tmp_path,
        ["new", {**layers, **told, "SITE": str(made / "site.toml")}],
        ["inspect", {"OUT": str(made)}],
        ["inspect", {"OUT": str(made)}],
        ["new", {**layers, "FENCE": str(demo_input / "terrain.tif"), "SITE": str(wrong / "site.toml")}],
        ["new", {**layers, "VERTICAL_ACCURACY_M": 11.0, "SITE": str(wrong / "site.toml")}],
        ["new", {**layers, "THRESHOLD": 1.0, "OVERWRITE": True, "SITE": str(made / "site.toml")}],
        ["run", {**layers, "SITE": str(site), "OUT": str(out)}],
        ["run", {"OUT": str(wrong)}],
        ["layout", {"OUT": str(wrong)}],
    )["answers"]
    settings = open_site(made / "site.toml")
    assert settings.threats == ("walk", "prone") and settings.detection.threshold == 0.25
    assert settings.layout.side == "outside" and settings.input.vertical_accuracy_m == 0.05
    assert (settings.prices.cut_m3, settings.prices.currency) == (21.0, "CHF")
    # a step finds the folder's own site file; of the area the outline is the fence
    assert answers[1]["done"]
    fence = pyogrio.read_dataframe(made / "plan.gpkg", layer="fence")
    assert fence["closed"].all() and fence["length_m"].iloc[0] == pytest.approx(area.length, rel=1e-3)
    assert 'tick "Replace results that are there already"' in answers[2]["error"]
    assert "--overwrite" not in answers[2]["error"] and "exit code" not in answers[2]["error"]
    for refused in answers[3:5]:
        assert refused.get("error") or refused.get("refused")
    # refused by the site file: what stood there stands as it was
    assert "threshold" in answers[5]["error"] and open_site(made / "site.toml").detection.threshold == 0.25
    assert sorted(p.name for p in made.iterdir() if "before" in p.name) == []
    assert pyogrio.list_layers(made / "site_fence.gpkg")[:, 0].tolist() == ["fence"]
    assert not (tmp_path / "away").exists()
    assert "leave out Fence, Terrain model" in answers[6]["refused"]
    assert "Give a site file" in answers[7]["refused"] and "none was given" in answers[8]["error"]


def test_a_toolkit_that_is_gone_is_said_in_the_toolbox(gis, plan, tmp_path):
    own = Path(gis.environment["QGIS_PLUGINPATH"]) / "perimeter_geotools" / "command.json"
    text = own.read_text()
    own.write_text(json.dumps({"command": [str(tmp_path / "gone")]}))
    try:
        answer = play(gis, tmp_path)
    finally:
        own.write_text(text)
    (shown,) = answer["algorithms"].values()
    assert shown["title"].startswith("Cannot be used: The toolkit's environment is gone") and not shown["can"]
    assert "gis-plugin install --overwrite" in answer["warning"] and "gis-plugin install" in shown["help"]


def test_cancelling_stops_the_command_and_leaves_no_trace(gis, plan, tmp_path):
    _, _, site, _ = plan
    slow = tmp_path / "slow"
    pid = tmp_path / "pid"
    slow.write_text(
        "#!/bin/sh\n"
        f'[ "$1" = gis-plugin ] && exec {gis.command[0]} "$@"\n'
        f"echo $$ > {pid}\n"
        'echo \'{"event": "progress", "percent": 3, "what": "slow"}\'\nexec sleep 60\n'
    )
    slow.chmod(0o755)
    answer = gis.python(HERE / "cancel_run.py", slow, site, tmp_path / "out")
    assert "what stood there before is untouched" in answer["said"]
    assert answer["seconds"] < 20 and answer["progress"] >= 3
    assert not (tmp_path / "out" / "plan.gpkg").exists()
    assert (
        subprocess.run(["/bin/kill", "-0", pid.read_text().strip()], capture_output=True, check=False).returncode != 0
    )


def test_layers_open_in_their_own_styles(gis, plan, contract, tmp_path):
    out, _, _, _ = plan
    picture = tmp_path / "plan.png"
    answer = gis.python(HERE / "render_plan.py", out / "plan.gpkg", picture)
    assert answer["errors"] == []
    layers = answer["layers"]
    for step in contract:
        for output in step["outputs"]:
            schema, shown = output["schema"], layers[output["layer"]]
            assert shown["valid"] and shown["title"] == schema["title"] and shown["abstract"] == schema["description"]
            if schema["geometry"] and schema["name"] != "fence_ends":
                assert shown["style"] == 1, f"layer {schema['name']} carries no style"
                assert shown["crs"] == "EPSG:32632"
    # a person who fills in the walk test finds words to choose from, and headings with units
    form = layers["walk_test"]
    assert form["widgets"]["result"] == "ValueMap" and form["widgets"]["walked_on"] == "DateTime"
    assert form["aliases"]["chainage_m"] == "chainage (m)"
    assert form["legend"] == ["Crossing, detected", "Crossing, missed", "Crossing, to be walked"]
    assert layers["heads"]["legend"][:2] == ["Transmitter head", "Receiver head"]
    pixels = np.asarray(Image.open(picture).convert("RGB")).reshape(-1, 3)
    for name, colour in {"transmitter": (213, 94, 0), "receiver": (86, 180, 233), "beam": (0, 114, 178)}.items():
        near = (np.abs(pixels.astype(int) - colour).max(axis=1) < 12).sum()
        assert near > 100, f"the {name}'s own colour is not in the picture"


def test_the_dialog_of_a_new_site_shows_the_catalogue(plan):
    shown = plan[3]["algorithms"]["new"]
    assert "prone" in shown["parameters"]["THREATS"]["help"]
    assert shown["parameters"]["THRESHOLD"]["help"].endswith("Left out: 0.2 (common practice, no source).")
    for word in ("placeholder", "10 GHz", "crawl", "grass cutting"):
        assert word in shown["help"], word
