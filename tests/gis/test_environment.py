"""What the plugin knows of the toolkit's environment, and how it words its messages; needs no GIS.

Red where the provider starts the command though nothing changed, where a missing or another environment goes unsaid, or
where a message names an option of the command line that the dialog has a box for.
"""

import json
import os
import sys

import pytest

from geotools import __version__
from geotools.gis.install import install_plugin
from geotools.gis.plugin import client, environment
from geotools.gis.plugin.words import Words


@pytest.fixture
def folder(tmp_path):
    """A plugin whose command notes each start; it lists one step."""
    start = tmp_path / "geotools"
    known = {"contract": {"version": __version__, "steps": []}, "watched": {str(start): None}}
    start.write_text(f"#!/bin/sh\necho started >> {tmp_path}/starts\ncat {tmp_path}/known.json\n")
    start.chmod(0o755)
    known["watched"] = {str(start): environment.stamp(str(start))}
    (tmp_path / "known.json").write_text(json.dumps(known))
    return install_plugin(tmp_path / "profile", command=[str(start)])


def starts(folder):
    return (folder.parents[3] / "starts").read_text().count("started")


def test_the_command_is_not_started_while_its_environment_is_as_it_was(folder):
    assert starts(folder) == 1
    for _ in range(2):
        command, contract = environment.load(str(folder))
    assert contract["version"] == __version__ and starts(folder) == 1
    os.utime(command[0], ns=(1, 1))
    environment.load(str(folder))
    assert starts(folder) == 2


def test_an_environment_that_is_gone_is_said_with_what_to_do(folder):
    os.remove(folder.parents[3] / "geotools")
    with pytest.raises(client.CommandError, match=r"environment is gone.*gis-plugin install --overwrite"):
        environment.load(str(folder))


def test_another_version_is_said(folder):
    known = json.loads((folder / "contract.json").read_text())
    known["contract"]["version"] = "0.0.1"
    (folder / "contract.json").write_text(json.dumps(known))
    with pytest.raises(client.CommandError, match=rf"toolkit is version 0\.0\.1, this plugin is for {__version__}"):
        environment.load(str(folder))


@pytest.mark.parametrize("text", ["", "{", "[]", '{"watched": {}}', '{"watched": {"/x": [1, 2]}, "contract": 1}'])
def test_a_contract_that_is_no_contract_is_asked_for_again(folder, text):
    (folder / "contract.json").write_text(text)
    assert environment.load(str(folder))[1]["version"] == __version__


def test_what_the_command_says_of_its_environment_holds_until_a_package_comes():
    known = client.read_contract([sys.executable, "-m", "geotools"])
    assert all(environment.stamp(path) == held for path, held in known["watched"].items())
    folders = [path for path in known["watched"] if os.path.isdir(path)]
    # the folder in which packages are put is among them: one more changes it
    assert any(path.endswith(("site-packages", "dist-packages")) for path in folders)
    assert {"section": "detection", "name": "threshold"}.items() <= known["contract"]["settings"][1].items()


WORDS = Words(
    {"layout": "Lay out zones and heads", "new": "New site file from layers"}, {"keep", "results", "redesign"}
)


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "add --overwrite to replace them, or choose another folder",
            'tick "Replace results that are there already" to replace them, or choose another folder',
        ),
        (
            "run `geotools layout` again, with --keep to keep the heads where they stand",
            'run "Lay out zones and heads" again, with "Keep" to keep the heads where they stand',
        ),
        ("run `geotools layout` without --keep first", 'run "Lay out zones and heads" without "Keep" first'),
        ("read it back with `--results /a/b.csv`, or move it", 'read it back with "Results" /a/b.csv, or move it'),
        ("(--redesign makes it anew)", '("Redesign" makes it anew)'),
        ("first run `geotools layout SITE.toml --out x --overwrite`", 'first run "Lay out zones and heads"'),
        ("run `geotools apply` again", "run `geotools apply` again"),
        ("add --crs, such as --crs EPSG:32632", "add --crs, such as --crs EPSG:32632"),
    ],
)
def test_messages_speak_of_the_dialog(said, shown):
    assert WORDS.of(said) == shown


def test_no_message_of_the_contracts_steps_asks_for_overwrite(folder):
    assert "--overwrite" not in WORDS.of("remedy again, with --overwrite") + WORDS.of("give --overwrite")
