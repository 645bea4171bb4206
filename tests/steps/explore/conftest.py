"""The page of the demonstration, with a name that tries to break out of it."""

import shutil

import pytest

import geotools
from geotools.engine.runner import run_site
from tests.shared import made_once


@pytest.fixture(scope="session")
def explored(remedied, tmp_path_factory):
    """Folder of the demonstration after gaps, remedy, window, bill and explore."""

    def make(folder):
        shutil.copytree(remedied, folder, dirs_exist_ok=True)
        site_file = folder / "input" / "site.toml"
        text = site_file.read_text(encoding="utf-8")
        old = next(line for line in text.splitlines() if line.startswith("name = "))
        text = text.replace(old, "name = 'Yard </script><script>alert(1)</script>'")
        site_file.write_text(f'{text}\n[sheets]\nrecipient = "Dig & Sons Ltd"\n', encoding="utf-8")
        site = geotools.open_site(site_file)
        geotools.run_step("window", site, folder / "out", openings=False)
        run_site(site, folder / "out", steps=["bill", "explore"])

    return made_once(tmp_path_factory, "explored", make) / "out"
