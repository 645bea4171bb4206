"""One laid-out demonstration site for the tests of steps that come after the layout."""

import re
import shutil
from pathlib import Path

import pytest

import geotools
from geotools.cli.demo import demo_folder
from geotools.engine.runner import run_site
from tests.making import set_proposed_head
from tests.shared import made_once

#: Whom the papers of ``reported`` are for.
RECIPIENT = "Dig & Sons Ltd"


@pytest.fixture(scope="session")
def laid_out(tmp_path_factory):
    """Folder with the demonstration's input and a plan that inspect and layout have written; copy before changing."""

    def make(folder: Path) -> None:
        shutil.copytree(demo_folder(), folder / "input")
        run_site(geotools.open_site(folder / "input" / "site.toml"), folder / "out", steps=["inspect", "layout"])

    return made_once(tmp_path_factory, "laid_out", make)


@pytest.fixture(scope="session")
def with_gaps(laid_out, tmp_path_factory):
    """As ``laid_out``, after gaps; copy before changing."""

    def make(folder: Path) -> None:
        shutil.copytree(laid_out, folder, dirs_exist_ok=True)
        run_site(geotools.open_site(folder / "input" / "site.toml"), folder / "out", steps=["gaps"])

    return made_once(tmp_path_factory, "with_gaps", make)


@pytest.fixture(scope="session")
def remedied(with_gaps, tmp_path_factory):
    """As ``with_gaps``, after remedy; copy before changing."""

    def make(folder: Path) -> None:
        shutil.copytree(with_gaps, folder, dirs_exist_ok=True)
        run_site(geotools.open_site(folder / "input" / "site.toml"), folder / "out", steps=["remedy"])

    return made_once(tmp_path_factory, "remedied", make)


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


@pytest.fixture(scope="session")
def set_by_hand(remedied, tmp_path_factory):
    """Folder of the demonstration whose proposed state sets a head, after the papers that name heights."""

    def make(folder: Path) -> None:
        shutil.copytree(remedied, folder, dirs_exist_ok=True)
        site = geotools.open_site(folder / "input" / "site.toml")
        set_proposed_head(site, folder / "out")
        run_site(site, folder / "out", steps=["stakeout", "report"])

    return made_once(tmp_path_factory, "set_by_hand", make) / "out"


@pytest.fixture(scope="session")
def reported(remedied, tmp_path_factory):
    """Folder of the demonstration after the steps the report shows, with a name that tries to break out of HTML."""

    def make(folder: Path) -> None:
        shutil.copytree(remedied, folder, dirs_exist_ok=True)
        site_file = folder / "input" / "site.toml"
        text = site_file.read_text(encoding="utf-8")
        old = next(line for line in text.splitlines() if line.startswith("name = "))
        text = text.replace(old, "name = 'Yard <script>alert(1)</script> & \"Sons\"'")
        site_file.write_text(f'{text}\n[sheets]\nrecipient = "{RECIPIENT}"\n', encoding="utf-8")
        later = ["stakeout", "routes", "walktest", "upkeep", "bill", "report"]
        run_site(geotools.open_site(site_file), folder / "out", steps=later)

    return made_once(tmp_path_factory, "reported", make) / "out"
