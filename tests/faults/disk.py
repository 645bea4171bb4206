"""The disk is full, the folder is read-only, another program holds the plan, two runs want one folder."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.kill import Ground
from tests.faults.site import STEPS, command, command_line, digest, environment, faults_of, start

OUTPUT_ERROR = 6
#: An edit in a layer that the next step leaves alone.
EDIT = "UPDATE provenance SET notes = 'edited' WHERE step = 'inspect'"


@dataclass
class Tally:
    """What the faults met: runs, how many were refused with words, and what went wrong."""

    runs: int = 0
    refused: int = 0
    faults: list[str] = field(default_factory=list)

    def judge(self, ground: Ground, out: Path, code: int, words: str, what: str, *, may_succeed: bool = False) -> None:
        """A refusal must be one in words, and leave a plan that a finished step has left."""
        self.runs += 1
        self.refused += code == OUTPUT_ERROR
        if code != OUTPUT_ERROR and not (may_succeed and code == 0):
            self.faults.append(f"{what}: exit {code}: {words[-400:]}")
        if "Traceback" in words or "unexpected fault" in words:
            self.faults.append(f"{what}: no clear message: {words[-400:]}")
        self.faults += [f"{what}: {fault}" for fault in faults_of(out, ground.known)]


def _limited(size: int) -> None:
    """Writing beyond this many bytes of one file fails, as on a full disk (the error's number differs, no more)."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def full_file(root: Path | Ground, sizes: list[int]) -> Tally:
    """No file may grow beyond a size, for many sizes: every write of the run fails once."""
    ground, tally = Ground.at(root), Tally()
    for size in sizes:
        out = ground.fresh()
        for step in STEPS:
            code, words = command_line(
                step,
                str(ground.sites[1]),
                "--out",
                str(out),
                "--overwrite",
                preexec_fn=lambda size=size: _limited(size),
            )
            tally.judge(ground, out, code, words, f"files of at most {size} bytes, {step}", may_succeed=True)
        check = Tally()
        ground_end(ground, out, check)
        tally.faults += check.faults
    return tally


def ground_end(ground: Ground, out: Path, tally: Tally) -> None:
    """With room again the job ends as if nothing had been."""
    for step in STEPS:
        code, words = command(step, str(ground.sites[1]), "--out", str(out), "--overwrite")
        if code:
            tally.faults.append(f"with room again {step} fails: {words[-300:]}")
    if digest(out / "plan.gpkg") not in ground.ends:
        tally.faults.append("with room again the plan is another")


def edit_kept(out: Path) -> bool:
    """Whether an edit made in another program still stands in the plan."""
    with closing(sqlite3.connect(out / "plan.gpkg")) as db:
        return db.execute("SELECT notes FROM provenance WHERE step = 'inspect'").fetchall() == [("edited",)]


@contextmanager
def small_disk(folder: Path, kilobytes: int, *options: str) -> Iterator[Path]:
    """A file system of that size in memory; needs the right to mount. RuntimeError where there is none."""
    folder.mkdir(parents=True, exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", ",".join((f"size={kilobytes}k", *options)), "tmpfs", str(folder)]
    done = subprocess.run(mount, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.strip())
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


def full_disk(root: Path, spare_kilobytes: list[int]) -> Tally:
    """A real file system with the old results on it and this much room besides."""
    ground, tally = Ground(root), Tally()
    held = sum(path.stat().st_size for path in ground.begin.rglob("*") if path.is_file()) // 1024 + 8
    for spare in spare_kilobytes:
        with small_disk(root / "disk", held + spare) as disk:
            out = disk / "out"
            shutil.copytree(ground.begin, out)
            for step in STEPS:
                code, words = command_line(step, str(ground.sites[1]), "--out", str(out), "--overwrite")
                tally.judge(ground, out, code, words, f"{spare} KB free, {step}", may_succeed=True)
    return tally


def read_only(root: Path) -> Tally:
    """A folder on a file system mounted for reading alone."""
    ground, tally = Ground(root), Tally()
    with small_disk(root / "disk", 8192) as disk:
        out = disk / "out"
        shutil.copytree(ground.begin, out)
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        for step in STEPS:
            code, words = command_line(step, str(ground.sites[1]), "--out", str(out), "--overwrite")
            tally.judge(ground, out, code, words, f"read-only disk, {step}")
        fresh = disk / "new"
        code, words = command_line("inspect", str(ground.sites[1]), "--out", str(fresh))
        tally.judge(ground, out, code, words, "a new folder on a read-only disk")
    return tally


def open_elsewhere(root: Path) -> Tally:
    """The plan is open in another program, in each of the ways a database can be."""
    ground, tally = Ground(root), Tally()
    holds = {
        "being written": ("PRAGMA journal_mode = DELETE", "BEGIN IMMEDIATE", "CREATE TABLE edit (x)"),
        "being read in one go": ("PRAGMA journal_mode = DELETE", "BEGIN", "SELECT count(*) FROM fence"),
        "open for editing, nothing pending": ("PRAGMA journal_mode = WAL", "SELECT count(*) FROM fence"),
        "open for editing, an edit pending": ("PRAGMA journal_mode = WAL", "BEGIN IMMEDIATE", "CREATE TABLE edit (x)"),
        "open for editing, edits saved": ("PRAGMA journal_mode = WAL", EDIT),
    }
    for how, statements in holds.items():
        out = ground.fresh()
        with closing(sqlite3.connect(out / "plan.gpkg", isolation_level=None)) as other:
            for statement in statements:
                other.execute(statement).fetchone() if "SELECT" not in statement else other.execute(statement)
            code, words = command_line("layout", str(ground.sites[1]), "--out", str(out), "--overwrite")
            tally.runs += 1
            tally.refused += code == OUTPUT_ERROR
            if how in ("open for editing, nothing pending", "open for editing, edits saved"):
                # nobody writes: the results go in beside the other program, which goes on
                if code:
                    tally.faults.append(f"plan {how}: exit {code}: {words[-300:]}")
                if other.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                    tally.faults.append(f"plan {how}: the other program's file is damaged")
            elif code != OUTPUT_ERROR or "open in another program" not in words:
                tally.faults.append(f"plan {how}: exit {code}: {words[-300:]}")
            if other.in_transaction:
                other.execute("ROLLBACK")
        if "saved" in how:
            if not edit_kept(out):
                tally.faults.append(f"plan {how}: the edit is lost")
            continue
        tally.faults += [f"plan {how}: {fault}" for fault in faults_of(out, ground.known)]
        code, words = command_line("layout", str(ground.sites[1]), "--out", str(out), "--overwrite")
        if code:
            tally.faults.append(f"plan {how}: closed again, the run fails: {words[-300:]}")
    return tally


def edits_kept_after_a_crash_elsewhere(root: Path | Ground) -> Tally:
    """Another program saved edits and was killed before it closed the plan: a second file holds them."""
    ground, tally = Ground.at(root), Tally()
    out = ground.fresh()
    code = (
        "import os, signal, sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "db.execute('PRAGMA journal_mode = WAL')\n"
        f"db.execute({EDIT!r})\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(out / "plan.gpkg")], env=environment(), check=False)
    tally.runs += 1
    if not (out / "plan.gpkg-wal").exists():
        tally.faults.append("the other program left no second file; this fault was not tried")
    exit_code, words = command("layout", str(ground.sites[0]), "--out", str(out), "--overwrite")
    if exit_code:
        tally.faults.append(f"the run after the crash fails: {words[-300:]}")
    if not edit_kept(out) or (out / "plan.gpkg-wal").exists():
        tally.faults.append("the edit is lost, or the second file stays")
    return tally


def two_runs(root: Path, rounds: int = 3) -> Tally:
    """Two runs of the whole job begin at one moment on one folder: one ends its work, the other is told."""
    ground, tally = Ground(root), Tally()
    job = ("run", str(ground.sites[1]), "--quiet", "--overwrite", "--out")
    code, words = command_line(*job, str(root / "alone"))
    if code:
        return Tally(faults=[f"a run alone fails: {words[-300:]}"])
    whole = digest(root / "alone" / "plan.gpkg")
    for number in range(rounds):
        out = root / f"both-{number}"
        runs = [start("geotools", *job, str(out)) for _ in range(2)]
        ends = [(run.communicate()[0], run.returncode) for run in runs]
        tally.runs += 2
        for words, code in ends:
            told = code == OUTPUT_ERROR and "another run is at work" in words
            tally.refused += told
            if code and not told:
                tally.faults.append(f"round {number}: exit {code}: {words[-300:]}")
        if digest(out / "plan.gpkg") != whole:
            tally.faults.append(f"round {number}: the plan is none that a run alone leaves")
    if not tally.refused:
        tally.faults.append("no run met another; this fault was not tried")
    return tally


def unusual_process(site: Path, out: Path, **folders: str) -> Tally:
    """The first step on a screen of 20 columns that shows Western European letters alone, with these folders named."""
    tally = Tally(runs=1)
    screen = {"COLUMNS": "20", "PYTHONIOENCODING": "cp1252"}
    process = start("geotools", "inspect", str(site), "--out", str(out), env={**environment(), **screen, **folders})
    words = process.communicate()[0]
    # words are broken as the screen asks, so that one may stand on several lines
    said = "".join(words.split())
    if process.returncode:
        tally.faults.append(f"{folders}: exit {process.returncode}: {words[-400:]}")
    if "Traceback" in words or "unexpectedfault" in said or "inspect" not in said:
        tally.faults.append(f"{folders}: no clear words: {words[-400:]}")
    return tally


def no_home_or_temporary_room(root: Path) -> Tally:
    """Home and temporary folder are not there, may not be written, or are on a full disk: no step needs them."""
    ground, tally = Ground(root), Tally()
    names = ("HOME", "TMPDIR", "XDG_CACHE_HOME", "XDG_CONFIG_HOME")
    with small_disk(root / "disk", 64) as disk:
        (disk / "filled").write_bytes(bytes(64 * 1024 - 4096))
        for place in (root / "not there", disk, Path("/proc"), Path("/dev/null")):
            for several in (names, names[:1], names[1:2]):
                out = root / f"out-{tally.runs}"
                tried = unusual_process(ground.sites[0], out, **dict.fromkeys(several, str(place)))
                tally.runs += tried.runs
                tally.faults += tried.faults
    return tally


def may_mount() -> bool:
    """Whether file systems can be made here."""
    return os.geteuid() == 0 and shutil.which("mount") is not None
