"""A page's commands played in one shell from an empty folder, and its pictures drawn between them."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Container, Mapping
from pathlib import Path

from docs.shown.blocks import Command, alike, items
from docs.shown.drawing import as_png, same_picture
from docs.shown.pictures import PICTURES

#: Pages are played beside each other; the drawing library draws one picture at a time.
_DRAWING = threading.Lock()
#: How a folder made for playing is called on the page.
HOME = "~/work"


class Shell:
    """Blocks in one folder that share variables and the place they stand in, as typed by one person."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self.folder = folder
        self.place = folder
        self.environment = {**environment, "COLUMNS": "110", "PYTHONUNBUFFERED": "1", "OMP_NUM_THREADS": "1"}

    def run(self, command: str) -> tuple[int, str]:
        """Exit code and output of a block; where it leaves its reader counts for the next."""
        with tempfile.TemporaryDirectory() as kept:
            script = f"set -eo pipefail\ntrap 'pwd > {kept}/place; env -0 > {kept}/env' EXIT\n{command}"
            done = subprocess.run(
                ["bash", "-c", script],
                cwd=self.place,
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                check=False,
            )
            self.place = Path((Path(kept) / "place").read_text("utf-8").strip())
            pairs = (Path(kept) / "env").read_text("utf-8").split("\0")
        self.environment = dict(pair.split("=", 1) for pair in pairs if "=" in pair)
        return done.returncode, done.stdout.decode("utf-8").replace("\ufeff", "").replace(str(self.folder), HOME)


def with_this_interpreter(folder: Path) -> dict[str, str]:
    """An environment whose `geotools` and `python` are those that run this: for trying a page without installing."""
    shims = folder / "bin"
    shims.mkdir(parents=True)
    root = Path(__file__).parents[2]
    for name, words in (("geotools", " -m geotools"), ("python", "")):
        (shims / name).write_text(f'#!/bin/sh\nexec "{sys.executable}"{words} "$@"\n', "utf-8")
        (shims / name).chmod(0o755)
    return {**os.environ, "PATH": f"{shims}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": str(root)}


def play(page: Path, shell: Shell, pictures: Path, *, write: bool, drawn: Container[str] = ()) -> list[str]:
    """Play a page; what differs from what it shows, or, with ``write``, what was renewed.

    Parameters
    ----------
    page : Path
        Markdown page.
    shell : Shell
        Stands in an empty folder.
    pictures : Path
        Folder of the kept pictures.
    write : bool
        Whether page and pictures are renewed rather than compared.
    drawn : container of str
        Pictures that another page draws.
    """
    text = page.read_text("utf-8")
    held = items(text)
    # a picture that stands above the first command is drawn when all have run
    first = next((n for n, item in enumerate(held) if isinstance(item, Command)), 0)
    differs: list[str] = []
    renewed: list[tuple[tuple[int, int], str]] = []
    for item in held[first:] + held[:first]:
        at = f"{page.name}, line {item.line}"
        if isinstance(item, Command):
            if item.elsewhere or drawn:
                continue
            code, output = shell.run(item.text)
            if code != item.code:
                raise SystemExit(f"{at}: exit code {code} in place of {item.code}:\n{item.text}\n{output}")
            if item.span is not None and not alike(got := item.part_of(output), item.shown or ""):
                differs.append(f"{at}: the output is\n{got}")
                renewed.append((item.span, got))
        elif item.name in drawn:
            continue
        elif item.name in PICTURES:
            with _DRAWING:
                made = as_png(PICTURES[item.name](shell.place))
            kept = pictures / item.name
            if not kept.is_file() or not same_picture(made, kept.read_bytes()):
                differs.append(f"{at}: the picture {item.name} is another now")
                if write:
                    kept.write_bytes(made)
        elif not (pictures / item.name).is_file():
            differs.append(f"{at}: nothing draws {item.name}")
    if write:
        for (start, end), got in reversed(renewed):
            text = text[:start] + got + text[end:]
        page.write_text(text, "utf-8")
    return differs
