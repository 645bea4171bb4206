"""`python -m docs.shown [PAGE...]` plays the pages and compares; `--write` renews what they show.

A page is played from an empty folder with the environment of README's "Run it": README itself first, on a copy of the
tree, which makes that environment; the other pages with it active. `--here` takes the interpreter that runs this and
leaves README's installing out: quick, for writing a page.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from docs.shown.blocks import drawn_pages, is_played, pages, pictures
from docs.shown.play import Shell, play, with_this_interpreter
from docs.shown.weave import filled

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "docs" / "pages" / "pictures"


def _copy_of_the_tree(target: Path) -> None:
    """What a fresh checkout holds: the files that git keeps, as they stand."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True).stdout
    for name in filter(None, listed.decode("utf-8").split("\0")):
        if (ROOT / name).is_file():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, target / name)


def main() -> None:
    """Play, and say what differs."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("pages", nargs="*", type=Path)
    options.add_argument("--write", action="store_true", help="renew outputs and pictures")
    options.add_argument("--here", action="store_true", help="with the interpreter that runs this; README is left out")
    options.add_argument("--tables", action="store_true", help="renew the tables made from declarations, play nothing")
    given = options.parse_args()
    if given.tables:
        for page in (ROOT / "docs" / "pages").rglob("*.md"):
            text = page.read_text("utf-8")
            if (made := filled(text)) != text:
                page.write_text(made, "utf-8")
        return
    chosen = [p.resolve() for p in given.pages] or pages(ROOT)
    readme = ROOT / "README.md"
    differs: list[str] = []
    with tempfile.TemporaryDirectory(prefix="shown-") as made:
        work = Path(made)
        if given.here:
            environment = with_this_interpreter(work / "shims")
        else:
            checkout = work / "checkout"
            _copy_of_the_tree(checkout)
            shell = Shell(checkout, dict(os.environ))
            began = time.monotonic()
            differs += play(readme, shell, PICTURES, write=given.write)
            print(f"README.md: {time.monotonic() - began:.0f} s", flush=True)
            environment = shell.environment

        def played(page: Path) -> list[str]:
            folder = work / page.stem
            folder.mkdir()
            began = time.monotonic()
            shell = Shell(folder, environment)
            found = play(page, shell, PICTURES, write=given.write)
            print(f"{page.relative_to(ROOT)}: {time.monotonic() - began:.0f} s", flush=True)
            if page.name == "index.md":
                drawn = set().union(*map(pictures, pages(ROOT)))
                for other in drawn_pages(ROOT):
                    found += play(other, shell, PICTURES, write=given.write, drawn=drawn)
            return found

        # pages know nothing of each other, and each command leaves most of a second processor idle
        with ThreadPoolExecutor(min(os.cpu_count() or 1, 2)) as pool:
            for found in pool.map(played, (p for p in chosen if p != readme and is_played(p))):
                differs += found
    for text in differs:
        print(text)
    if differs and not given.write:
        sys.exit("the pages show something else: `python -m docs.shown --write` renews them")


if __name__ == "__main__":
    main()
