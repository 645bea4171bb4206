"""The page of the demonstration, with a name that tries to break out of it."""

import shutil

import pytest

import geotools
from geotools.engine.runner import run_site


@pytest.fixture(scope="session")
def explored(with_gaps, tmp_path_factory):
    """Folder of the demonstration after gaps and explore."""
    folder = tmp_path_factory.mktemp("explored") / "demo"
    shutil.copytree(with_gaps, folder)
    site_file = folder / "input" / "site.toml"
    text = site_file.read_text(encoding="utf-8")
    old = next(line for line in text.splitlines() if line.startswith("name = "))
    site_file.write_text(text.replace(old, "name = 'Yard </script><script>alert(1)</script>'"), encoding="utf-8")
    run_site(geotools.open_site(site_file), folder / "out", steps=["explore"])
    return folder / "out"
