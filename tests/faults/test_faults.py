"""A short form of the fault run; the long one is `python -m tests.faults.run`."""

from __future__ import annotations

from pathlib import Path

import pytest

from geotools.publish import COMMIT_NAME, finish, publish
from tests.faults import disk, kill


def test_a_run_killed_before_any_of_some_changes_loses_nothing(tmp_path: Path) -> None:
    tally = kill.kill_at_every_change(tmp_path, every=17)
    assert tally.kills >= 2
    assert tally.faults == []


def test_a_run_killed_at_random_loses_nothing(tmp_path: Path) -> None:
    tally = kill.kill_at_random(tmp_path, 2)
    assert (tally.kills, tally.faults) == (2, [])


def test_an_edit_saved_by_a_program_that_died_counts(tmp_path: Path) -> None:
    assert disk.edits_kept_after_a_crash_elsewhere(tmp_path).faults == []


def test_a_full_disk_is_told_and_harmless(tmp_path: Path) -> None:
    tally = disk.full_file(tmp_path, [60_000])
    assert tally.refused
    assert tally.faults == []


def staged(out: Path, files: dict[str, str]) -> Path:
    folder = out / ".scratch-x" / "ready"
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


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
        patch.setattr("geotools.publish.finish", lambda out: (_ for _ in ()).throw(RuntimeError("power cut")))
        publish(folder, tmp_path, guard="plan.gpkg")
    assert (tmp_path / "plan.gpkg").read_text() == "old"
    finish(tmp_path)
    assert ((tmp_path / "plan.gpkg").read_text(), (tmp_path / "a.txt").read_text()) == ("new", "a")


def test_an_interrupted_move_never_covers_work_done_since(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "plan.gpkg").write_text("old")
    folder = staged(tmp_path, {"plan.gpkg": "new"})
    with monkeypatch.context() as patch, pytest.raises(RuntimeError):
        patch.setattr("geotools.publish.finish", lambda out: (_ for _ in ()).throw(RuntimeError("power cut")))
        publish(folder, tmp_path, guard="plan.gpkg")
    (tmp_path / "plan.gpkg").write_text("edited since")
    finish(tmp_path)
    assert (tmp_path / "plan.gpkg").read_text() == "edited since"
    assert not (tmp_path / COMMIT_NAME).exists()
