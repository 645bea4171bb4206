"""The part of the plugin that runs the command; needs no GIS."""

import os
import sys
import textwrap
import time

import pytest

from geotools.gis.plugin import client, environment


@pytest.fixture
def command(tmp_path):
    def make(body):
        script = tmp_path / "command.py"
        script.write_text("import json, os, sys, time\n" + textwrap.dedent(body), encoding="utf-8")
        return [sys.executable, str(script)]

    return make


def test_environment_loses_what_the_gis_put_there():
    dirty = {
        "PATH": "/usr/bin",
        "HOME": "/home/me",
        "PYTHONHOME": "/apps/gis",
        "PYTHONPATH": "x",
        "PROJ_LIB": "x",
        "PROJ_DATA": "x",
        "GDAL_DATA": "x",
        "LD_LIBRARY_PATH": "x",
        "QT_QPA_PLATFORM": "offscreen",
        "QGIS_PREFIX_PATH": "/usr",
    }
    assert client.clean_environment(dirty) == {
        "PATH": "/usr/bin",
        "HOME": "/home/me",
        "PYTHONNOUSERSITE": "1",
        "PYTHONUTF8": "1",
    }


def test_the_command_starts_in_a_gis_environment(monkeypatch):
    # with these left in, PROJ finds no EPSG codes and Python does not start
    monkeypatch.setenv("PYTHONHOME", "/nowhere")
    monkeypatch.setenv("PROJ_LIB", "/nowhere")
    monkeypatch.setenv("PROJ_DATA", "/nowhere")
    contract = client.read_contract([sys.executable, "-m", "geotools"])["contract"]
    assert {"inspect", "layout"} <= {step["name"] for step in contract["steps"]}


def test_events_arrive_as_they_are_said(command):
    words = command(
        """
        print(json.dumps({"event": "progress", "percent": 50, "what": "grün"}), flush=True)
        print("plain words")
        sys.stderr.write("x" * 300000)  # more than a pipe holds: a reader that waited on one stream would hang
        """
    )
    events = []
    client.run(words, events.append)
    assert events == [
        {"event": "progress", "percent": 50, "what": "grün"},
        {"event": "text", "text": "plain words"},
    ]


def test_the_commands_own_error_is_handed_on(command):
    words = command(
        """
        print(json.dumps({"event": "error", "error": "no fence", "where": "a.shp", "mend": "draw one"}))
        sys.exit(3)
        """
    )
    with pytest.raises(client.CommandError) as caught:
        client.run(words, lambda event: None)
    assert str(caught.value) == "no fence\n  where: a.shp\n  mend: draw one"


def test_a_crash_shows_what_was_said_last(command):
    with pytest.raises(client.CommandError, match="ZeroDivisionError"):
        client.run(command("1 / 0"), lambda event: None)


def test_a_plugin_from_a_zip_takes_the_command_on_the_path(tmp_path, monkeypatch):
    (tmp_path / "geotools").write_text("#!/bin/sh\n")
    (tmp_path / "geotools").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert environment.load_command(str(tmp_path)) == [str(tmp_path / "geotools")]
    (tmp_path / "command.json").write_text('{"command": ["noted", "one"]}')
    assert environment.load_command(str(tmp_path)) == ["noted", "one"]


def test_a_command_that_is_not_there_is_named(tmp_path, monkeypatch):
    with pytest.raises(client.CommandError, match="cannot be started"):
        client.run([str(tmp_path / "absent")], lambda event: None)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(client.CommandError, match=r"is not on the path.* gis-plugin install"):
        environment.load_command(str(tmp_path))


def test_cancel_ends_the_command_at_once(command, tmp_path):
    words = command(
        """
        open(sys.argv[1], "w").write(str(os.getpid()))
        print(json.dumps({"event": "progress", "percent": 1}), flush=True)
        time.sleep(60)
        """
    )
    seen = []
    started = time.monotonic()
    with pytest.raises(client.StoppedError):
        client.run([*words, str(tmp_path / "pid")], seen.append, lambda: bool(seen))
    assert time.monotonic() - started < 20
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_a_command_that_will_not_end_is_killed(command, tmp_path, monkeypatch):
    monkeypatch.setattr(client, "GRACE_S", 0.3)
    words = command(
        """
        import signal
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        open(sys.argv[1], "w").write(str(os.getpid()))
        print("{}", flush=True)
        time.sleep(60)
        """
    )
    seen = []
    with pytest.raises(client.StoppedError):
        client.run([*words, str(tmp_path / "pid")], seen.append, lambda: bool(seen))
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_contract_that_cannot_be_read(command):
    with pytest.raises(client.CommandError, match="broken plug-in"):
        client.read_contract(command("sys.exit('broken plug-in')"))


def test_a_catalogue_is_shown_as_a_table_that_no_name_can_break():
    shown = client.catalogue_html("head_types", [{"name": "<b>", "range_m": 3.5}, {"name": "y", "threats": ["a", "b"]}])
    assert "<h4>Head types</h4>" in shown and "<td>&lt;b&gt;</td><td>3.5</td><td></td>" in shown
    assert "<td>y</td><td></td><td>a, b</td>" in shown and "<th>range m</th>" in shown


def test_cancel_says_what_had_ended_before(command):
    words = command(
        """
        print(json.dumps({"event": "step", "step": "inspect", "state": "done"}), flush=True)
        print(json.dumps({"event": "progress", "percent": 1}), flush=True)
        time.sleep(60)
        """
    )
    seen = []
    with pytest.raises(client.StoppedError, match=r"in place: inspect\. Nothing else was changed"):
        client.run(words, seen.append, lambda: len(seen) == 2)


def test_cancel_hands_on_what_the_command_itself_says_of_it(command):
    words = command(
        """
        import signal
        def end(*_):
            print(json.dumps({"event": "error", "error": "stopped by the user", "found": "ended: inspect"}), flush=True)
            sys.exit(130)
        signal.signal(signal.SIGTERM, end)
        print("{}", flush=True)
        time.sleep(60)
        """
    )
    seen = []
    with pytest.raises(client.StoppedError) as told:
        client.run(words, seen.append, lambda: bool(seen))
    assert str(told.value) == "stopped by the user\n  found: ended: inspect"
