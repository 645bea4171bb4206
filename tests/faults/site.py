"""A small site for the fault runs, and what makes a folder of results whole."""

from __future__ import annotations

import hashlib
import json
import os
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from click.testing import CliRunner

import geotools
from geotools.cli import cli
from tests.fuzz.subjects import SITE, write_fence, write_terrain

STEPS = ("inspect", "layout")
_SERIAL = re.compile(r'"serial": \d+, ')
#: Files of ours that are there only while a run is at work, or after one was killed.
TEMPORARY = (".scratch-", ".plan-", ".commit", ".lock")


def make_site(folder: Path, name: str = "Fault yard") -> Path:
    """A site of 240 m of fence on 100 x 100 m; a run of its first steps takes a second."""
    folder.mkdir(parents=True, exist_ok=True)
    write_terrain(folder / "terrain.tif")
    write_fence(folder / "fence.geojson", "GeoJSON")
    site = folder / "site.toml"
    text = SITE.format(fence="fence.geojson", terrain="terrain.tif").replace("Fuzz yard", name)
    site.write_text(text, encoding="utf-8")
    return site


def environment() -> dict[str, str]:
    """One thread for each process."""
    return {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"}


def start(module: str, *arguments: str, **options: object) -> subprocess.Popen[str]:
    """A module as a process of its own, its words on one pipe."""
    return subprocess.Popen(
        [sys.executable, "-m", module, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        **{"env": environment(), **options},  # type: ignore[call-overload]
    )


def command_line(*arguments: str, **options: object) -> tuple[int, str]:
    """Exit code and words of the command line in a process of its own."""
    process = start("geotools", *arguments, **options)
    words = process.communicate()[0]
    return process.returncode, words


def command(*arguments: str) -> tuple[int, str]:
    """Exit code and words of a command in this process, where nothing hangs on its being one of its own."""
    done = CliRunner().invoke(cli, list(arguments))
    return done.exit_code, done.output


def run_steps(site: Path, out: Path) -> None:
    """The steps, over whatever is there."""
    opened = geotools.open_site(site)
    for step in STEPS:
        geotools.run_step(step, opened, out, overwrite=True)


def digest(plan: Path) -> dict[str, str]:
    """A hash of every layer's rows, geometry and attributes, by layer; sqlite3.Error where it is no whole file.

    The number of a run in the folder's history is left out: it counts the runs, however they ended. So is the layer of
    changes: it compares with the plan that stood before, whichever that was.
    """
    found = {}
    with closing(sqlite3.connect(plan)) as db:
        answer = db.execute("PRAGMA integrity_check").fetchone()[0]
        if answer != "ok":
            raise sqlite3.DatabaseError(answer)
        for (table,) in db.execute("SELECT table_name FROM gpkg_contents ORDER BY table_name").fetchall():
            if table == "changes":
                continue
            rows = db.execute(f'SELECT * FROM "{table}" ORDER BY 1').fetchall()
            found[table] = hashlib.sha256(_SERIAL.sub("", repr(rows)).encode()).hexdigest()
    return found


def faults_of(out: Path, known: list[dict[str, str]]) -> list[str]:
    """What is wrong in a folder of results: half files, a plan that no finished step has left."""
    plan, summary = out / "plan.gpkg", out / "summary.json"
    if not plan.exists():
        return ["the plan is gone"]
    faults = []
    try:
        if digest(plan) not in known:
            faults.append("the plan is none that a finished step has left")
    except sqlite3.Error as problem:
        faults.append(f"the plan is damaged: {problem}")
    try:
        json.loads(summary.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        faults.append(f"the summary is damaged: {problem}")
    return faults
