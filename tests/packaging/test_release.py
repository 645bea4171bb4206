"""One version everywhere, and a wheel that holds what is declared and nothing else."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import geotools
from geotools.cli.demo import SITES, demo_folder

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


def test_package_citation_and_changes_name_one_version():
    citation = (ROOT / "CITATION.cff").read_text("utf-8")
    held = dict(re.findall(r"^(cff-version|version|title|license): (.+)$", citation, flags=re.M))
    assert held == {
        "cff-version": "1.2.0",
        "version": geotools.__version__,
        "title": PROJECT["project"]["name"],
        "license": PROJECT["project"]["license"],
    }
    assert PROJECT["project"]["version"] == geotools.__version__
    changes = (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert re.findall(r"^## ([0-9.]+)", changes, flags=re.M)[0] == geotools.__version__


def test_the_wheel_is_told_to_hold_the_package_and_the_demonstrations():
    wheel = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["packages"] == ["geotools"] and (ROOT / "geotools" / "py.typed").is_file()
    held = wheel["force-include"]
    assert all((ROOT / source).is_file() for source in held)
    for name, files in SITES.items():
        inside = "geotools/demo_data/" if name == "yard" else f"geotools/demo_data/{name}/"
        assert {inside + file for file in files} <= set(held.values())
        assert all((demo_folder(name) / file).is_file() for file in files)


def test_no_test_lies_in_the_package():
    found = [p.name for p in (ROOT / "geotools").rglob("*") if re.match(r"(test_.*|conftest)\.py$|tests$", p.name)]
    assert found == []
