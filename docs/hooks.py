"""Puts the manual pages that the package makes from its declarations into the documentation."""

from pathlib import Path

from mkdocs.structure.files import File

from geotools.cli import cli
from geotools.manual import pages
from geotools.step import discover


def on_config(config):
    """Lists the steps under the manual in the order of the job."""
    for section in config["nav"]:
        if "Manual" in section:
            steps = ["manual/steps/index.md", *(f"manual/steps/{name}.md" for name in discover())]
            section["Manual"][0] = {"Steps": steps}
    return config


def on_files(files, config):
    """Adds the generated pages to those that are written by hand."""
    for path, text in pages(cli).items():
        files.append(File.generated(config, path, content=text))
    # the evidence page is made by `python -m tests.evidence docs`, beside the hand-written pages, not among them
    here = Path(__file__).parent
    for path in ["evidence.md", *(f"evidence/{picture.name}" for picture in sorted(here.glob("evidence/*.png")))]:
        files.append(File(path, str(here), config.site_dir, config.use_directory_urls))
    # the evidence page is made by a script that writes it and its pictures beside this file
    here = Path(__file__).parent
    for path in [here / "evidence.md", *sorted((here / "evidence").iterdir())]:
        name = path.relative_to(here).as_posix()
        files.append(File(name, str(here), config["site_dir"], config["use_directory_urls"]))
    return files
