"""The command in an unusual process: consoles, a closed terminal, folders missing, warnings of libraries."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rich.console import Console

from geotools.cli.screen import Screen

NAME = "Łąka 東 yard"
#: the command, with one more that says a name, warns as a library would, and waits
COMMAND = f"""
import sys, time, warnings
import click
from geotools.cli import cli, main
from geotools.cli.screen import Screen
@cli.command()
@click.option("--seconds", type=float, default=0.0)
def trial(seconds):
    warnings.warn("raw words of a library", DeprecationWarning)
    warnings.warn("raw words of a library", UserWarning)
    click.echo({NAME!a})
    Screen().say({NAME!a})
    Screen().warn({NAME!a})
    print("now", flush=True)
    time.sleep(seconds)
sys.argv = ["geotools", "trial", *sys.argv[1:]]
main()
"""


def start(*words: str, **environment: str) -> subprocess.Popen[bytes]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    path = os.pathsep.join(filter(None, [os.environ.get("PYTHONPATH", ""), str(Path(__file__).parents[2])]))
    return subprocess.Popen(
        [sys.executable, "-c", COMMAND, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**kept, "PYTHONPATH": path, **environment},
    )


@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONIOENCODING": "cp1252"},
        {"PYTHONIOENCODING": "cp437"},
        {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0", "HOME": "/not there", "TMPDIR": "/not there"},
    ],
    ids=["western", "old", "no locale, no home, no temporary folder"],
)
def test_a_name_that_the_console_cannot_show_ends_no_run(environment):
    process = start(**environment)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert out.count(b"yard") == 2 and err.count(b"yard") == 1
    assert b"\\u6771" in out and b"\\u6771" in err


def test_warnings_of_libraries_do_not_reach_the_screen_unless_asked_for():
    _, err = start().communicate(timeout=60)
    assert b"raw words" not in err and b"Warning" not in err
    _, err = start(GEOTOOLS_TRACEBACK="1").communicate(timeout=60)
    assert b"UserWarning: raw words of a library" in err


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this system has no such signal")
def test_a_closed_terminal_ends_a_run_as_ctrl_c_does_unless_it_is_to_go_on():
    # whoever runs the tests may have started them by `nohup`, which children would go on with
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    try:
        process = start("--seconds", "60")
    finally:
        signal.signal(signal.SIGHUP, before)
    while process.stdout.readline().strip() != b"now":
        assert process.poll() is None
    began = time.monotonic()
    process.send_signal(signal.SIGHUP)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 130 and time.monotonic() - began < 10
    assert b"stopped by the user" in err

    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        process = start("--seconds", "1")  # as `nohup` starts it
    finally:
        signal.signal(signal.SIGHUP, before)
    while process.stdout.readline().strip() != b"now":
        assert process.poll() is None
    process.send_signal(signal.SIGHUP)
    process.communicate(timeout=20)
    assert process.returncode == 0


ROWS = [["F01-Z001", "50.0", "none, 1.07"], ["F01-Z002", "48.5", "2.5 m, 0.11"]]


@pytest.mark.parametrize("width", [10, 20, 30, 200])
def test_a_table_on_a_narrow_screen_loses_nothing(width):
    screen, written = Screen(), io.StringIO()
    screen.out = Console(file=written, width=width, highlight=False, soft_wrap=True)
    screen._table(f"{NAME}: undetected length", ["zone", "length m", "prone"], ROWS)
    said = written.getvalue()
    assert "…" not in said and NAME in said
    assert all(cell in said for row in ROWS for cell in row)
    # side by side where there is room
    assert any(all(cell in one for cell in ROWS[1]) for one in said.splitlines()) == (width == 200)
