"""Putting the plugin into a profile."""

import json
import sys
from configparser import RawConfigParser

import pytest
from click.testing import CliRunner

from geotools import __version__
from geotools.cli import cli
from geotools.errors import OutputError
from geotools.gis.install import PLUGIN_NAME, enable_plugin, install_plugin


def test_plugin_is_whole_and_knows_its_command(tmp_path):
    folder = install_plugin(tmp_path)
    assert folder == tmp_path / "python" / "plugins" / PLUGIN_NAME
    about = RawConfigParser()
    about.read(folder / "metadata.txt", encoding="utf-8")
    # the names that the GIS's plugin manager requires
    for name in ("name", "description", "version", "qgisMinimumVersion", "author", "email", "about"):
        assert about.get("general", name)
    assert about.get("general", "version") == __version__
    assert about.get("general", "hasProcessingProvider") == "yes"
    assert json.loads((folder / "command.json").read_text())["command"] == [sys.executable, "-m", "geotools"]
    assert (folder / about.get("general", "icon")).is_file()
    assert [p.name for p in folder.parent.iterdir()] == [PLUGIN_NAME]


def test_an_older_plugin_is_replaced_only_on_request(tmp_path):
    folder = install_plugin(tmp_path)
    (folder / "stale.py").write_text("")
    with pytest.raises(OutputError, match="installed already"):
        install_plugin(tmp_path)
    assert (folder / "stale.py").exists()
    install_plugin(tmp_path, overwrite=True)
    assert not (folder / "stale.py").exists()


def test_a_profile_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "python").write_text("a file where a folder should be")
    with pytest.raises(OutputError, match="could not be put"):
        install_plugin(tmp_path)


def test_enabling_keeps_the_other_settings(tmp_path):
    ini = tmp_path / "QGIS" / "QGIS3.ini"
    ini.parent.mkdir()
    ini.write_text("[PythonPlugins]\nother=true\n\n[UI]\nState=@ByteArray(\\0\\0%)\n", encoding="utf-8")
    enable_plugin(tmp_path)
    text = ini.read_text(encoding="utf-8")
    assert "other=true" in text and f"{PLUGIN_NAME}=true" in text and "State=@ByteArray(\\0\\0%)" in text


def test_the_command_says_where(tmp_path):
    run = CliRunner().invoke(cli, ["gis-plugin", "install", "--profile", str(tmp_path), "--dry-run", "--json"])
    assert run.exit_code == 0 and json.loads(run.output)["plugin"].endswith(PLUGIN_NAME)
    assert not list(tmp_path.iterdir())
