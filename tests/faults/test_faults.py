"""A short form of the fault run; the long one is `python -m tests.faults.run`."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from geotools.errors import OutputError
from geotools.io.files import disk_words
from geotools.io.publish import COMMIT_NAME, finish, publish
from tests.faults import disk, kill
from tests.faults.site import command, make_site


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> kill.Ground:
    """Two sites and every plan that their steps can leave, for all tests here: a dozen steps are run for it."""
    return kill.Ground(tmp_path_factory.mktemp("ground"))


def test_a_run_killed_before_any_of_some_changes_loses_nothing(ground: kill.Ground) -> None:
    tally = kill.kill_at_every_change(ground, every=37)  # all of them: python -m tests.faults
    assert tally.kills >= 2
    assert tally.faults == []


def test_a_run_killed_at_random_loses_nothing(ground: kill.Ground) -> None:
    tally = kill.kill_at_random(ground, 2)
    assert (tally.kills, tally.faults) == (2, [])


def test_an_edit_saved_by_a_program_that_died_counts(ground: kill.Ground) -> None:
    assert disk.edits_kept_after_a_crash_elsewhere(ground).faults == []


def test_a_full_disk_is_told_and_harmless(ground: kill.Ground) -> None:
    tally = disk.full_file(ground, [60_000])
    assert tally.refused
    assert tally.faults == []


def staged(out: Path, files: dict[str, str]) -> Path:
    folder = out / ".scratch-x" / "ready"
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


def test_the_disk_is_asked_to_hold_files_the_way_every_system_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows does so only through a handle that may write, and has no handles of folders."""
    fcntl = pytest.importorskip("fcntl")
    held: list[int] = []

    def as_elsewhere(handle: int) -> None:
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "not a handle that may write")
        held.append(handle)

    monkeypatch.setattr(os, "fsync", as_elsewhere)
    folder = tmp_path / ".scratch-x"
    folder.mkdir()
    (folder / "new.txt").write_text("new")
    publish(folder, tmp_path, guard="plan.gpkg", remove=[])
    assert (tmp_path / "new.txt").read_text() == "new" and held


def test_published_files_come_as_one_and_stale_ones_go(tmp_path: Path) -> None:
    (tmp_path / "old.png").write_text("old")
    (tmp_path / "plan.gpkg").write_text("old")
    folder = staged(tmp_path, {"plan.gpkg": "new", "sections/a.png": "a"})
    publish(folder, tmp_path, guard="plan.gpkg", remove=["old.png", "../outside", "/etc/hostname"])
    assert (tmp_path / "plan.gpkg").read_text() == "new"
    assert (tmp_path / "sections" / "a.png").read_text() == "a"
    assert not (tmp_path / "old.png").exists()
    assert not (tmp_path / COMMIT_NAME).exists()


def test_an_interrupted_move_is_ended_by_the_next_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "plan.gpkg").write_text("old")
    folder = staged(tmp_path, {"plan.gpkg": "new", "a.txt": "a"})
    with monkeypatch.context() as patch, pytest.raises(RuntimeError):
        patch.setattr("geotools.io.publish.finish", lambda out: (_ for _ in ()).throw(RuntimeError("power cut")))
        publish(folder, tmp_path, guard="plan.gpkg")
    assert (tmp_path / "plan.gpkg").read_text() == "old"
    finish(tmp_path)
    assert ((tmp_path / "plan.gpkg").read_text(), (tmp_path / "a.txt").read_text()) == ("new", "a")


def test_an_interrupted_move_never_covers_work_done_since(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "plan.gpkg").write_text("old")
    folder = staged(tmp_path, {"plan.gpkg": "new"})
    with monkeypatch.context() as patch, pytest.raises(RuntimeError):
        patch.setattr("geotools.io.publish.finish", lambda out: (_ for _ in ()).throw(RuntimeError("power cut")))
        publish(folder, tmp_path, guard="plan.gpkg")
    (tmp_path / "plan.gpkg").write_text("edited since")
    finish(tmp_path)
    assert (tmp_path / "plan.gpkg").read_text() == "edited since"
    assert not (tmp_path / COMMIT_NAME).exists()


@pytest.mark.parametrize("name", [".lock", "run.log"])
def test_a_link_in_the_folder_leads_nothing_outside(tmp_path: Path, name: str) -> None:
    out, outside = tmp_path / "out", tmp_path / "outside"
    out.mkdir()
    outside.write_text("mine")
    (out / name).symlink_to(outside)
    code, words = command("inspect", str(make_site(tmp_path / "site")), "--out", str(out))
    assert "unexpected" not in words
    assert code == (6 if name == ".lock" else 0), words
    assert outside.read_text() == "mine"


def test_a_folder_of_the_results_that_is_a_link_is_refused(tmp_path: Path) -> None:
    out, outside = tmp_path / "out", tmp_path / "outside"
    outside.mkdir()
    (outside / "old.png").write_text("mine")
    out.mkdir()
    (out / "sections").symlink_to(outside)
    with pytest.raises(OutputError, match="link to somewhere else"):
        publish(staged(out, {"plan.gpkg": "new", "sections/a.png": "a"}), out, guard="plan.gpkg")
    assert not (out / "plan.gpkg").exists()
    shutil.rmtree(out / ".scratch-x")
    publish(staged(out, {"plan.gpkg": "new"}), out, guard="plan.gpkg", remove=["sections/old.png"])
    assert [path.name for path in outside.iterdir()] == ["old.png"]


@pytest.mark.parametrize(
    "note",
    [
        {"guard": "../victim", "state": None, "remove": []},
        {"guard": "/etc/hostname", "state": None, "remove": []},
        {"guard": "..", "state": None, "remove": []},
        {"guard": "plan.gpkg", "state": None, "remove": "abc"},
        {"guard": ["plan.gpkg"], "state": None, "remove": []},
        {"guard": "plan.gpkg"},
        ["guard"],
        7,
    ],
)
def test_a_move_that_somebody_else_began_moves_nothing(tmp_path: Path, note: object) -> None:
    out, victim = tmp_path / "out", tmp_path / "victim"
    (out / COMMIT_NAME).mkdir(parents=True)
    (out / "victim").write_text("theirs")
    (out / COMMIT_NAME / ".note.json").write_text(json.dumps(note))
    finish(out)
    assert not victim.exists()
    assert not (out / COMMIT_NAME).exists()
    assert (out / "victim").read_text() == "theirs"


def test_a_move_goes_on_through_no_link(tmp_path: Path) -> None:
    out, outside = tmp_path / "out", tmp_path / "outside"
    outside.mkdir()
    (out / COMMIT_NAME / "sections").mkdir(parents=True)
    (out / COMMIT_NAME / "sections" / "a.png").write_text("theirs")
    (out / COMMIT_NAME / ".note.json").write_text('{"guard": "plan.gpkg", "state": null, "remove": []}')
    (out / "sections").symlink_to(outside)
    with pytest.raises(OutputError, match="link to somewhere else"):
        finish(out)
    assert not list(outside.iterdir())


def test_a_screen_that_takes_no_more_is_told(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("needs a device that is always full")
    with full.open("w") as screen:
        done = subprocess.run(
            [sys.executable, "-m", "geotools", "steps"], stdout=screen, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 6
    assert "the program's output could not be written" in done.stderr


def test_a_short_disk_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    problem = OSError("no such table")
    assert disk_words(problem, tmp_path / "not" / "there") == "OSError: no such table"
    monkeypatch.setattr("shutil.disk_usage", lambda where: SimpleNamespace(free=3 * 1024))
    assert disk_words(problem, tmp_path) == "OSError: no such table; 3 KB are free on that disk"
