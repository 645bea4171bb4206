"""Bad days of the machine around a run: consoles, folders, clock. The long form is `python -m tests.faults.run`.

Red when a run hangs on a wide screen, a home, room for temporary files, or on the order of dates.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

import geotools
from geotools.engine.runner import Job, plan_steps
from tests.faults import disk
from tests.faults.site import digest, faults_of, make_site


def test_a_run_on_a_narrow_old_console_without_home_or_temporary_folder_gives_the_same(tmp_path: Path) -> None:
    site = make_site(tmp_path / "site", "Łąka 東 yard")
    geotools.run_step("inspect", geotools.open_site(site), tmp_path / "usual")
    gone = str(tmp_path / "not" / "there")
    tally = disk.unusual_process(site, tmp_path / "out", HOME=gone, TMPDIR=gone, XDG_CACHE_HOME=gone)
    assert tally.faults == []
    known = [digest(tmp_path / "usual" / "plan.gpkg")]
    assert faults_of(tmp_path / "out", known) == []


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site and what its first step has written, before the clock was set back a year."""
    folder = tmp_path_factory.mktemp("clock")
    geotools.run_step("inspect", geotools.open_site(make_site(folder / "site")), folder / "out")
    for path in folder.rglob("*"):
        if path.is_file():
            os.utime(path, (time.time() + 3.2e7,) * 2)
    return folder


def stale(folder: Path) -> list[str]:
    with Job(geotools.open_site(folder / "site" / "site.toml"), folder / "out") as job:
        return [step.name for step in job.left(plan_steps(["inspect"]))]


def test_results_from_days_to_come_are_fresh_and_the_next_step_goes_on_from_them(laid: Path, tmp_path: Path) -> None:
    assert stale(laid) == []
    site = laid / "site" / "site.toml"
    geotools.run_step("layout", geotools.open_site(site), laid / "out")
    for step in ("inspect", "layout"):
        geotools.run_step(step, geotools.open_site(site), tmp_path / "usual")
    plans = [digest(folder / "plan.gpkg") for folder in (laid / "out", tmp_path / "usual")]
    assert plans[0].keys() == plans[1].keys()
    same = [name for name in plans[0] if name != "provenance"]
    assert [plans[0][name] for name in same] == [plans[1][name] for name in same]


def test_a_file_changed_under_a_clock_set_back_is_noticed_though_it_is_older_than_the_results(laid: Path) -> None:
    path = laid / "site" / "fence.geojson"
    was = path.read_bytes()
    path.write_bytes(was.replace(b"}", b"} ", 1))
    os.utime(path, (1e9, 1e9))
    try:
        # other bytes, whatever their date
        assert "inspect" in stale(laid)
        path.write_bytes(was)
        os.utime(path, (1e9, 1e9))
        assert "inspect" not in stale(laid)
    finally:
        path.write_bytes(was)
