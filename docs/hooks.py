"""Puts the manual pages that the package makes from its declarations into the documentation."""

import json
import posixpath
from pathlib import Path

from mkdocs.structure.files import File

from docs.shown.weave import anchored, glossary_terms, linked
from geotools import __version__
from geotools.cli import cli
from geotools.cli.manual import pages
from geotools.engine.step import discover


def on_config(config):
    """Lists the steps under the manual in the order of the job, and says which version the pages are of."""
    config["copyright"] = f"geotools-perimeter {__version__}"
    for section in config["nav"]:
        if "Manual" in section:
            steps = ["manual/steps/index.md", *(f"manual/steps/{name}.md" for name in discover())]
            section["Manual"][0] = {"Steps": steps}
    return config


def notebook_page(path):
    """A notebook's words and code as a page, which links to the notebook itself."""
    parts = []
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        text = "".join(cell["source"])
        parts.append(text if cell["cell_type"] == "markdown" else f"```python\n{text}\n```")
    return "\n\n".join([*parts, f"[This page as a notebook]({path.name})"]) + "\n"


def on_files(files, config):
    """Adds the generated pages to those that are written by hand."""
    made = pages(cli)
    for path in sorted(Path(config["docs_dir"]).rglob("*.ipynb")):
        made[path.relative_to(config["docs_dir"]).with_suffix(".md").as_posix()] = notebook_page(path)
    for path, text in made.items():
        files.append(File.generated(config, path, content=text))
    # pages that commands of the tests write from a fresh run lie beside this file, not among the hand-written ones
    here = Path(__file__).parent
    for path in [*sorted(here.glob("*.md")), *sorted((here / "evidence").iterdir())]:
        name = path.relative_to(here).as_posix()
        files.append(File(name, str(here), config["site_dir"], config["use_directory_urls"]))
    return files


def on_page_markdown(markdown, page, config, files):
    """Links each term to the glossary at its first use."""
    here = page.file.src_uri
    glossary = (Path(config["docs_dir"]) / "glossary.md").read_text(encoding="utf-8")
    if here == "glossary.md":
        return anchored(markdown)
    return linked(markdown, glossary_terms(glossary), posixpath.relpath("glossary.md", posixpath.dirname(here)))
