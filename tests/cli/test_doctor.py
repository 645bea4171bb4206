"""`geotools doctor` says what is there and what is missing, and names nothing of a site."""

from __future__ import annotations

import importlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import geotools
from geotools.cli import cli
from geotools.gis.install import PLUGIN_NAME, install_plugin

# the package holds the command under the module's name
doctor = importlib.import_module("geotools.cli.doctor")


def look(*words: str) -> tuple[int, dict[str, dict[str, str]]]:
    done = CliRunner().invoke(cli, ["doctor", "--json", *words])
    return done.exit_code, {f["about"]: f for f in json.loads(done.output)["findings"]}


def test_a_machine_that_runs_the_tests_is_found_fit(tmp_path):
    code, found = look("--out", str(tmp_path / "not there yet"), "--profile", str(tmp_path / "profile"))
    assert code == 0 and not any(f["state"] == "broken" for f in found.values())
    assert found["toolkit"]["found"].endswith(geotools.__version__)
    assert "numpy" in found["libraries"]["found"] and "rasterio" in found["libraries"]["found"]
    assert {found[name]["state"] for name in ("GDAL (rasters)", "GDAL (vectors)", "PROJ", "GEOS")} == {"ok"}
    assert not (tmp_path / "not there yet").exists()


def test_the_plugins_version_is_compared_with_the_toolkits(tmp_path):
    assert "not installed" in look("--profile", str(tmp_path))[1]["plugin"]["found"]
    install_plugin(tmp_path)
    assert look("--profile", str(tmp_path))[1]["plugin"]["state"] == "ok"
    about = tmp_path / "python" / "plugins" / PLUGIN_NAME / "metadata.txt"
    about.write_text(about.read_text().replace(f"version={geotools.__version__}", "version=0.0.1"))
    plugin = look("--profile", str(tmp_path))[1]["plugin"]
    assert plugin["state"] == "note" and "0.0.1" in plugin["found"] and "--overwrite" in plugin["mend"]


def test_what_is_missing_names_the_command_that_misses_it(monkeypatch, tmp_path):
    taken = doctor.import_module
    monkeypatch.setattr(
        doctor, "import_module", lambda name: taken("no_such_" + name) if name == "lazrs" else taken(name)
    )
    code, found = look("--out", str(tmp_path))
    assert code == 0 and found["extra lidar"]["state"] == "note"
    assert "lazrs missing" in found["extra lidar"]["found"] and "geotools terrain" in found["extra lidar"]["found"]


def test_a_broken_library_ends_with_a_code_that_says_so(monkeypatch, tmp_path):
    def broken() -> str:
        raise RuntimeError("no database context specified")

    monkeypatch.setattr(doctor, "_proj", broken)
    code, found = look("--out", str(tmp_path))
    assert code == 7 and found["PROJ"]["state"] == "broken" and "no database" in found["PROJ"]["found"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("in the way")
    code, found = look("--out", str(tmp_path / "file"))
    assert code == 7 and found["folder for results"]["state"] == "broken"


@pytest.mark.parametrize("words", [[], ["--json"]])
def test_no_folder_of_a_site_is_named(words, tmp_path: Path):
    site = tmp_path / "secret_depot"
    site.mkdir()
    done = CliRunner().invoke(cli, ["doctor", "--out", str(site), *words])
    assert "secret_depot" not in done.output and str(Path.home()) + "/" not in done.output
