"""The plugin at work in the desktop GIS itself, without a screen."""

import json
import subprocess
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from PIL import Image

pytestmark = pytest.mark.gis
HERE = Path(__file__).parent
#: Parameters without which a step refuses to run: the ground as it was is a survey too.
MUST_BE_GIVEN = {"asbuilt": {"survey": lambda demo: demo / "terrain.tif"}}


@pytest.fixture(scope="session")
def contract(gis):
    done = subprocess.run([*gis.command, "steps", "--json"], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)["steps"]


@pytest.fixture(scope="session")
def plan(gis, demo_input, contract, tmp_path_factory):
    """A plan made in the GIS from a fence layer and a raster: new site file, then every step once."""
    folder = tmp_path_factory.mktemp("plan")
    words = [f"FENCE={demo_input / 'fence.geojson'}", f"TERRAIN={demo_input / 'terrain.tif'}"]
    site = folder / "site.toml"
    made = gis.process("run", "perimeter:new", "--", *words, "NAME=Yard", f"SITE={site}")
    assert made["results"]["SITE"] == str(site)
    answers = {}
    for step in contract:
        given = [f"{name}={value(demo_input)}" for name, value in MUST_BE_GIVEN.get(step["name"], {}).items()]
        words = [f"SITE={site}", f"OUT={folder / 'out'}", "OVERWRITE=true", *given]
        answers[step["name"]] = gis.process("run", f"perimeter:{step['name']}", "--", *words)
    return folder / "out", answers, site


def test_every_step_is_an_algorithm_made_from_its_declaration(gis, contract):
    listed = gis.process("list")["providers"]["perimeter"]["algorithms"]
    assert set(listed) == {f"perimeter:{s['name']}" for s in contract} | {"perimeter:new", "perimeter:run"}
    assert "perimeter:fence-ends" in listed
    for step in contract:
        shown = gis.process("help", f"perimeter:{step['name']}")
        assert shown["algorithm_details"]["name"] == step["title"]
        for param in step["params"]:
            assert shown["parameters"][param["name"]]["help"] == param["help"]
        assert {o["layer"] for o in step["outputs"]} <= set(shown["outputs"])


def test_every_step_runs_and_hands_back_its_layers(plan, contract):
    out, answers, _ = plan
    held = set(pyogrio.list_layers(out / "plan.gpkg")[:, 0])
    for step in contract:
        for output in step["outputs"]:
            assert output["layer"] in held
            assert answers[step["name"]]["results"][output["layer"]].endswith(f"layername={output['layer']}")


def test_a_parameter_reaches_a_plugged_in_step(gis, plan):
    out, _, site = plan
    words = ["run", "perimeter:fence-ends", "--", f"SITE={site}", f"OUT={out}"]
    gis.process(*words, "OVERWRITE=true", "shift_m=-2.5")
    assert set(pyogrio.read_dataframe(out / "plan.gpkg", layer="fence_ends")["shift_m"]) == {-2.5}
    refused = gis.process(*words, "OVERWRITE=true", "shift_m=11", check=False)
    assert refused.returncode != 0


def test_an_error_of_the_command_is_shown_whole(gis, plan):
    out, _, site = plan
    failed = gis.process("run", "perimeter:layout", "--", f"SITE={site}", f"OUT={out}", check=False)
    said = failed.stdout + failed.stderr
    assert failed.returncode != 0
    assert "holds results of this step already" in said and "exit code 6" in said and "--overwrite" in said


def test_cancelling_stops_the_command_and_leaves_no_trace(gis, plan, tmp_path):
    _, _, site = plan
    slow = tmp_path / "slow"
    pid = tmp_path / "pid"
    slow.write_text(
        "#!/bin/sh\n"
        f'[ "$1" = steps ] && exec {gis.command[0]} "$@"\n'
        f"echo $$ > {pid}\n"
        'echo \'{"event": "progress", "percent": 3, "what": "slow"}\'\nexec sleep 60\n'
    )
    slow.chmod(0o755)
    answer = gis.python(HERE / "cancel_run.py", slow, site, tmp_path / "out")
    assert answer["cancelled"] and answer["seconds"] < 20 and answer["progress"] >= 3
    assert not (tmp_path / "out" / "plan.gpkg").exists()
    assert (
        subprocess.run(["/bin/kill", "-0", pid.read_text().strip()], capture_output=True, check=False).returncode != 0
    )


def test_layers_open_in_their_own_styles(gis, plan, contract, tmp_path):
    out, _, _ = plan
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


def test_the_dialog_of_a_new_site_shows_the_catalogue(gis):
    assert "prone" in gis.process("help", "perimeter:new")["parameters"]["THREATS"]["help"]
    # the help text stands in the runner's own words alone
    plain = subprocess.run(
        ["/usr/bin/qgis_process.bin", "help", "perimeter:new"],
        env=gis.environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    for word in ("placeholder", "10 GHz", "crawl", "grass cutting"):
        assert word in plain.stdout, word
