"""A plan with everything the report can show."""

import shutil
from pathlib import Path

import pytest

import geotools
from geotools.engine.runner import run_site
from tests.shared import made_once


@pytest.fixture(scope="session")
def reported(remedied, tmp_path_factory):
    """Folder of the demonstration after the steps the report shows, with a name that tries to break out of HTML."""

    def make(folder: Path) -> None:
        shutil.copytree(remedied, folder, dirs_exist_ok=True)
        site_file = folder / "input" / "site.toml"
        text = site_file.read_text(encoding="utf-8")
        old = next(line for line in text.splitlines() if line.startswith("name = "))
        site_file.write_text(text.replace(old, "name = 'Yard <script>alert(1)</script> & \"Sons\"'"), encoding="utf-8")
        later = ["stakeout", "walktest", "upkeep", "report"]
        run_site(geotools.open_site(site_file), folder / "out", steps=later)

    return made_once(tmp_path_factory, "reported", make) / "out"
