"""A database put in the place of one that another program has open."""

import sqlite3
from contextlib import closing

import pytest

from geotools.io.open_database import put_database
from geotools.io.publish import COMMIT_NAME, finish, publish


def database(path, rows, wal=False):
    with closing(sqlite3.connect(path)) as db, db:
        if wal:
            db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE t (n INTEGER)")
        db.executemany("INSERT INTO t VALUES (?)", [(n,) for n in range(rows)])
    return path


def count(db):
    return db.execute("SELECT count(*) FROM t").fetchone()[0]


def test_a_file_that_nobody_keeps_open_is_replaced_by_renaming(tmp_path):
    target, source = database(tmp_path / "a", 3), database(tmp_path / "b", 5)
    inode = source.stat().st_ino
    put_database(source, target)
    assert target.stat().st_ino == inode and not source.exists()
    new = database(tmp_path / "b", 2)
    put_database(new, tmp_path / "none yet")
    assert (tmp_path / "none yet").exists()


def test_a_program_that_reads_in_write_ahead_mode_goes_on_and_finds_the_new_rows(tmp_path):
    target, source = database(tmp_path / "a", 3, wal=True), database(tmp_path / "b", 5000)
    with closing(sqlite3.connect(target)) as reader, closing(sqlite3.connect(target)) as other:
        other.execute("INSERT INTO t VALUES (9)")
        other.commit()
        cursor = reader.execute("SELECT n FROM t")
        assert cursor.fetchone() == (0,)
        put_database(source, target)
        # what was begun is read to its end as it was, what is asked next is new
        assert len(cursor.fetchall()) == 3
        assert count(reader) == count(other) == 5000
    with closing(sqlite3.connect(target)) as later:
        assert count(later) == 5000
        assert later.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert not source.exists()


def test_while_another_program_writes_nothing_is_touched(tmp_path, monkeypatch):
    monkeypatch.setattr("geotools.io.open_database._WAIT_S", 0.1)
    target, source = database(tmp_path / "a", 3, wal=True), database(tmp_path / "b", 5)
    with closing(sqlite3.connect(target, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("INSERT INTO t VALUES (9)")
        with pytest.raises(OSError, match="open in another program"):
            put_database(source, target)
        assert source.exists()
        writer.execute("COMMIT")
        assert count(writer) == 4


def test_a_run_killed_just_after_the_rows_went_in_leaves_later_edits_alone(tmp_path, monkeypatch):
    target = database(tmp_path / "plan.gpkg", 3, wal=True)
    (tmp_path / "ready").mkdir()
    database(tmp_path / "ready" / "plan.gpkg", 5)
    with closing(sqlite3.connect(target, isolation_level=None)) as gis:
        assert count(gis) == 3

        def killed(path, **_):
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr("geotools.io.open_database.Path.unlink", killed)
            with pytest.raises(KeyboardInterrupt):
                publish(tmp_path / "ready", tmp_path, guard="plan.gpkg")
        assert count(gis) == 5 and (tmp_path / COMMIT_NAME).exists()
        gis.execute("INSERT INTO t VALUES (9)")
        finish(tmp_path)
        assert count(gis) == 6 and not (tmp_path / COMMIT_NAME).exists()
