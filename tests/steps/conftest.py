"""One laid-out demonstration site for the tests of steps that come after the layout."""

import os
import re
import shutil
from pathlib import Path

import pytest
from filelock import FileLock

import geotools
from geotools.cli.demo import demo_folder
from geotools.engine.runner import run_site


@pytest.fixture(scope="session")
def laid_out(tmp_path_factory):
    """Folder with the demonstration's input and a plan that inspect and layout have written; copy before changing."""
    base = tmp_path_factory.getbasetemp()
    # processes that share the tests have folders beside each other: one makes the site, the others wait and take it
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "laid_out_for_all"
    with FileLock(shared.with_suffix(".lock")):
        if not shared.exists():
            folder = tmp_path_factory.mktemp("laid_out")
            shutil.copytree(demo_folder(), folder / "input")
            run_site(geotools.open_site(folder / "input" / "site.toml"), folder / "out", steps=["inspect", "layout"])
            folder.rename(shared)
    return shared


@pytest.fixture
def plan(laid_out, tmp_path):
    """A site file and an output folder of the test's own."""
    shutil.copytree(laid_out, tmp_path / "demo")
    return tmp_path / "demo" / "input" / "site.toml", tmp_path / "demo" / "out"


@pytest.fixture
def settings():
    """Puts a section in the place of the site file's own, or at its end, and opens it."""

    def put(site_file: Path, section: str):
        heading = section.strip().splitlines()[0]
        kept = re.sub(rf"^{re.escape(heading)}$.*?(?=^\[|\Z)", "", site_file.read_text("utf-8"), flags=re.M | re.S)
        site_file.write_text(f"{kept}\n{section}\n", encoding="utf-8")
        return geotools.open_site(site_file)

    return put
