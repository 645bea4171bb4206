"""A plan with everything the report can show."""

import shutil

import pytest

import geotools
from geotools.engine.runner import run_site


@pytest.fixture(scope="session")
def reported(laid_out, tmp_path_factory):
    """Folder of the demonstration after the steps the report shows, with a name that tries to break out of HTML."""
    folder = tmp_path_factory.mktemp("reported") / "demo"
    shutil.copytree(laid_out, folder)
    site_file = folder / "input" / "site.toml"
    text = site_file.read_text(encoding="utf-8")
    old = next(line for line in text.splitlines() if line.startswith("name = "))
    site_file.write_text(text.replace(old, "name = 'Yard <script>alert(1)</script> & \"Sons\"'"), encoding="utf-8")
    later = ["gaps", "remedy", "stakeout", "walktest", "upkeep", "report"]
    run_site(geotools.open_site(site_file), folder / "out", steps=later)
    return folder / "out"
