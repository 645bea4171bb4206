"""Results are for the account alone that ran the job, unless the site file says otherwise."""

import os
import sqlite3
import stat
from contextlib import closing

import pytest

from geotools.engine.runner import run_site
from geotools.io.files import write_text
from geotools.io.publish import publish
from geotools.site import open_site

pytestmark = pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")


def modes(folder):
    return {p.relative_to(folder).as_posix(): stat.S_IMODE(p.stat().st_mode) for p in folder.rglob("*")}


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture(autouse=True)
def usual_umask():
    before = os.umask(0o022)
    yield
    os.umask(before)


def test_files_and_folders_that_a_run_makes_are_the_owners_alone(make_site, tmp_path):
    out = tmp_path / "jobs" / "yard"
    run_site(open_site(make_site()), out, steps=["inspect"])
    found = modes(out)
    assert {"plan.gpkg", "run.log", "summary.json"} <= set(found)
    assert set(found.values()) == {0o600}
    assert (mode(out), mode(out.parent)) == (0o700, 0o700)


def test_the_site_file_can_leave_it_to_the_system(make_site, tmp_path):
    site = open_site(make_site(toml="[sharing]\nprivate = false\n"))
    run_site(site, tmp_path / "out", steps=["inspect"])
    assert set(modes(tmp_path / "out").values()) == {0o644}
    assert mode(tmp_path / "out") == 0o755


def test_a_folder_that_was_there_keeps_its_mode_and_one_inside_is_closed(tmp_path):
    out = tmp_path / "out"
    (out / "ready" / "sections").mkdir(parents=True)
    (out / "ready" / "sections" / "a.png").write_text("a")
    (out / "ready" / "plan.gpkg").write_text("new")
    publish(out / "ready", out, guard="plan.gpkg", private=True)
    assert mode(out) == 0o755
    assert modes(out) == {"plan.gpkg": 0o600, "sections": 0o700, "sections/a.png": 0o600}


def test_a_plan_that_is_written_into_while_it_is_open_is_closed_to_others_too(tmp_path):
    plan = tmp_path / "plan.gpkg"
    with closing(sqlite3.connect(plan)) as other:
        other.execute("PRAGMA journal_mode = WAL")
        other.execute("CREATE TABLE t (n)")
        (tmp_path / "ready").mkdir()
        with closing(sqlite3.connect(tmp_path / "ready" / "plan.gpkg")) as made:
            made.execute("CREATE TABLE fresh (n)")
        publish(tmp_path / "ready", tmp_path, guard="plan.gpkg", private=True)
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("fresh",)]
    assert mode(plan) == 0o600


def test_a_text_is_private_where_it_is_asked_for(tmp_path):
    write_text(tmp_path / "a", "a")
    write_text(tmp_path / "b", "b", private=True)
    assert (mode(tmp_path / "a"), mode(tmp_path / "b")) == (0o644, 0o600)
