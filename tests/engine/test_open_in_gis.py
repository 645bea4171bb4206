"""A plan that another program has open in write-ahead mode, as a desktop GIS does after an edit, while steps run."""

import json
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

import geotools
from geotools.engine.runner import run_site
from geotools.errors import OutputError

#: The other program: a process of its own, for a database's locks are the process's. Says what each command gives.
OTHER = """
import json, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
    db.create_function(name, 1, lambda shape: None)
reading = None
for line in sys.stdin:
    if line.strip() == "begin reading":
        reading = db.execute("SELECT head_id FROM heads")
        answer = len(reading.fetchmany(1))
    elif line.strip() == "read on":
        answer = len(reading.fetchall())
    else:
        answer = db.execute(line).fetchall()
    print(json.dumps(answer), flush=True)
"""
LOW = "SELECT DISTINCT tx_height_m FROM beams WHERE level = 'low'"


class Other:
    """Another program with the plan open."""

    def __init__(self, plan):
        words = [sys.executable, "-c", OTHER, str(plan)]
        self.process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.says("PRAGMA journal_mode = WAL") == [["wal"]]

    def says(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self):
        self.process.stdin.close()
        self.process.wait(10)
        self.process.stdout.close()


@pytest.fixture
def yard(make_site, tmp_path):
    site = geotools.open_site(make_site())
    run_site(site, tmp_path / "out", steps=["inspect", "layout"])
    return site, tmp_path / "out"


def test_steps_run_while_the_plan_is_open_and_the_other_program_finds_what_they_wrote(yard):
    site, out = yard
    with closing(Other(out / "plan.gpkg")) as gis:
        gis.says("UPDATE heads SET height_m = 0.4 WHERE level = 'low'")
        assert gis.says("begin reading") == 1
        run_site(site, out, steps=["layout", "gaps"], overwrite=True)
        assert gis.says("read on") > 0
        assert gis.says(LOW) == [[0.4]]
        assert gis.says("SELECT count(*) FROM verdicts")[0][0] > 0
        assert gis.says("PRAGMA integrity_check") == [["ok"]]
        # edited again, run again, still open
        gis.says("UPDATE heads SET height_m = 0.35 WHERE level = 'low'")
        run_site(site, out, steps=["layout", "gaps"], overwrite=True)
        assert gis.says(LOW) == [[0.35]]
    with closing(sqlite3.connect(out / "plan.gpkg")) as db:
        assert db.execute(LOW).fetchall() == [(0.35,)]
    # nobody has it open any more: the next run leaves one file, without a second beside it
    run_site(site, out, steps=["gaps"], overwrite=True)
    assert sorted(path.name for path in out.glob("plan.gpkg*")) == ["plan.gpkg"]


def test_an_edit_that_is_not_saved_yet_stops_the_run(yard):
    site, out = yard
    with closing(Other(out / "plan.gpkg")) as gis:
        gis.says("BEGIN IMMEDIATE")
        gis.says("UPDATE heads SET height_m = 0.35")
        with pytest.raises(OutputError, match="open in another program"):
            run_site(site, out, steps=["gaps"], overwrite=True)
        gis.says("COMMIT")
        assert gis.says("SELECT DISTINCT height_m FROM heads") == [[0.35]]
