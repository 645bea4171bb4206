"""The command line as a person meets it: help, errors of one shape, exit codes, nothing overwritten unasked."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from geotools.cli import cli
from geotools.cli.demo import place_demo_input

MakeSite = Callable[..., Path]


def call(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_help_tells_how_to_start_and_what_the_exit_codes_mean() -> None:
    shown = call("--help").output
    for words in ("geotools demo", "Exit codes", "inspect", "layout"):
        assert words in shown


def test_error_has_one_shape_and_its_own_exit_code(tmp_path: Path) -> None:
    done = call("run", tmp_path / "nowhere.toml", "--out", tmp_path / "out")
    assert done.exit_code == 3
    assert done.stderr.startswith("error: ")
    for part in ("where:", "expected:", "mend:"):
        assert part in done.stderr
    assert not (tmp_path / "out").exists()


def test_error_as_json(tmp_path: Path) -> None:
    done = call("run", tmp_path / "nowhere.toml", "--out", tmp_path / "out", "--json")
    said = json.loads(done.stdout.splitlines()[-1])
    assert said["event"] == "error"
    assert said["exit_code"] == done.exit_code == 3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("threats = [", 'threats = ["tunnel", '), "tunnel"),
        (("[input]", "[input]\nvertical_accuracy_m = -1"), "Cannot overwrite a value"),
        (("[input]", "[detection]\nthreshold = 2.0\n[input]"), "detection.threshold"),
        (("[input]", "[layout]\nsetback = 3\n[input]"), "layout.setback"),
        (("[input]", "[layout]\nsetback_m = nan\n[input]"), "layout.setback_m"),
        (("[input]", "folder = 'x'\n[input]"), "folder"),
    ],
)
def test_site_file_faults_are_named(make_site: MakeSite, tmp_path: Path, change: tuple[str, str], words: str) -> None:
    site = make_site()
    site.write_text(site.read_text().replace(*change))
    done = call("inspect", site, "--out", tmp_path / "out")
    assert done.exit_code in (3, 4)
    assert words in done.stderr
    assert not (tmp_path / "out").exists()


def test_dry_run_writes_nothing(make_site: MakeSite, tmp_path: Path) -> None:
    done = call("run", make_site(), "--out", tmp_path / "out", "--dry-run")
    assert done.exit_code == 0
    assert "would write fence" in done.output
    assert not (tmp_path / "out").exists()


def test_results_are_replaced_only_on_request(make_site: MakeSite, tmp_path: Path) -> None:
    site, out = make_site(), tmp_path / "out"
    assert call("inspect", site, "--out", out).exit_code == 0
    before = (out / "plan.gpkg").read_bytes()
    again = call("inspect", site, "--out", out)
    assert again.exit_code == 6
    assert "--overwrite" in again.stderr
    assert (out / "plan.gpkg").read_bytes() == before
    assert call("inspect", site, "--out", out, "--overwrite").exit_code == 0


def test_quiet_says_nothing_but_warnings(make_site: MakeSite, tmp_path: Path) -> None:
    done = call("inspect", make_site(), "--out", tmp_path / "out", "--quiet")
    assert done.stdout == ""
    assert "warning" in done.stderr


def test_json_lines_are_json(make_site: MakeSite, tmp_path: Path) -> None:
    done = call("inspect", make_site(), "--out", tmp_path / "out", "--json")
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert [e["state"] for e in events if e["event"] == "step"] == ["started", "done"]
    assert events[-1]["event"] == "finished"


def test_step_without_its_layer_says_what_to_run_first(make_site: MakeSite, tmp_path: Path) -> None:
    done = call("layout", make_site(), "--out", tmp_path / "out")
    assert done.exit_code == 7
    assert "geotools inspect" in done.stderr


def test_log_is_dated_and_keeps_failures(make_site: MakeSite, tmp_path: Path) -> None:
    site, out = make_site(), tmp_path / "out"
    call("layout", site, "--out", out)
    call("inspect", site, "--out", out)
    entries = [json.loads(line) for line in (out / "run.log").read_text().splitlines()]
    assert [e["state"] for e in entries] == ["failed", "done"]
    assert all(e["time"].startswith("20") for e in entries)


def test_the_readmes_own_job_can_be_typed_as_it_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    block = text.split("## Your own site")[1].split("```bash")[1].split("```")[0]
    # what "Run it" leaves behind is the input of what is typed
    place_demo_input(tmp_path / "geotools_demo", overwrite=False)
    monkeypatch.chdir(tmp_path)
    activate, *typed = [shlex.split(line, comments=True) for line in block.strip().splitlines()]
    assert activate == [".", ".venv/bin/activate"]
    assert [words[1] for words in typed] == ["new", "inspect", "run", "status", "apply", "gaps", "share", "steps"]
    for _, *words in typed[:4] + typed[-1:]:
        # the whole job is run by .ci/docs: here it must get past its checks
        done = call(*words, *(["--dry-run"] if words[0] == "run" else []))
        assert done.exit_code == 0, (words, done.stderr)
    # and with no remedy yet, the two that go on from it say so
    refused = call(*typed[4][1:])
    assert (refused.exit_code, "geotools remedy" in refused.stderr) == (7, True)
    assert call(*typed[5][1:]).exit_code == 3
    # the public sees the fence, which inspect has read
    assert call(*typed[6][1:]).exit_code == 0


def test_placeholders_are_named_once_at_the_end(make_site: MakeSite, tmp_path: Path) -> None:
    site, out = make_site(), tmp_path / "out"
    call("inspect", site, "--out", out)
    said = call("layout", site, "--out", out).stdout
    after = said[said.index("Resting on placeholders") :]
    assert said.count("head type 24 GHz") == after.count("head type 24 GHz") == 1
    assert "Written:" in after


def test_the_list_of_commands_cuts_no_sentence_short() -> None:
    shown = CliRunner().invoke(cli, ["--help"]).output
    listed = shown.partition("Commands:")[2]
    assert "doctor" in listed and "..." not in listed
