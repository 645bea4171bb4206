"""How the command line behaves: errors of one shape, exit codes, a polite end."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest
from click.testing import CliRunner

from geotools.cli import cli
from geotools.cli.demo import demo_folder

SITE = str(demo_folder() / "site.toml")


def test_an_error_is_one_json_object_where_json_was_asked_for(tmp_path):
    run = CliRunner().invoke(cli, ["layout", SITE, "--out", str(tmp_path / "out"), "--json"])
    last = json.loads(run.output.strip().splitlines()[-1])
    assert run.exit_code == last["exit_code"] == 7
    assert last["event"] == "error" and "inspect" in last["mend"]


def test_the_same_error_in_words(tmp_path):
    run = CliRunner().invoke(cli, ["layout", SITE, "--out", str(tmp_path / "out")])
    assert run.exit_code == 7
    assert "error: " in run.output and "mend:" in run.output and "Traceback" not in run.output


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shells_get_their_completion(shell):
    words = [sys.executable, "-m", "geotools"]
    script = subprocess.run(
        words, env={**os.environ, "_GEOTOOLS_COMPLETE": f"{shell}_source"}, capture_output=True, text=True, check=True
    )
    assert "_GEOTOOLS_COMPLETE" in script.stdout
    asked = {"_GEOTOOLS_COMPLETE": f"{shell}_complete", "COMP_WORDS": "geotools walkt", "COMP_CWORD": "1"}
    if shell == "fish":
        asked["COMP_CWORD"] = "walkt"
    offered = subprocess.run(words, env={**os.environ, **asked}, capture_output=True, text=True, check=True)
    assert "walktest" in offered.stdout and "layout" not in offered.stdout


def test_a_request_to_end_puts_temporary_files_away(tmp_path):
    code = (
        "import sys, time\n"
        "from geotools.steps.layout import step\n"
        "import dataclasses, geotools.engine.step as g\n"
        "def slow(ctx):\n"
        "    print('now', flush=True)\n"
        "    time.sleep(60)\n"
        "found = g.discover()\n"
        "found['inspect'] = dataclasses.replace(found['inspect'], run=slow)\n"
        "from geotools.cli import main\n"
        f"sys.argv = ['geotools', 'inspect', {SITE!r}, '--out', {str(tmp_path / 'out')!r}, '--json']\n"
        "main()\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    while process.stdout.readline().strip() != "now":
        assert process.poll() is None
    started = time.monotonic()
    os.kill(process.pid, signal.SIGTERM)
    said = process.communicate(timeout=20)[0]
    assert time.monotonic() - started < 10
    assert process.returncode == 130
    assert json.loads(said.strip().splitlines()[-1])["exit_code"] == 130
    assert not [p for p in (tmp_path / "out").iterdir() if p.name.startswith(".")]
