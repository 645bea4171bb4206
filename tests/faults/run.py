"""Faults, in bulk: `python -m tests.faults.run [--kills 200] [--report FILE]`.

Kills runs at random moments and at every change of the folder, fills the disk, takes the right to write away, holds the
plan in another program, starts several runs at once. What must hold: the folder's plan is always one that a finished
step has left, an error has words and its own exit code, and the next run goes on as if nothing had been.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.faults import disk, kill


def faults(kills: int, every: int) -> dict[str, Callable[[Path], Any]]:
    """Every kind of fault by name."""
    sizes = [0, 2_000, 20_000, 60_000, 100_000, 140_000, 180_000, 220_000, 260_000, 320_000, 400_000, 600_000]
    kinds: dict[str, Callable[[Path], Any]] = {
        "killed at random moments": lambda root: kill.kill_at_random(root, kills),
        "killed before every change of the folder": lambda root: kill.kill_at_every_change(root, every),
        "no room in any file": lambda root: disk.full_file(root, sizes),
        "plan open in another program": disk.open_elsewhere,
        "another program was killed over the plan": disk.edits_kept_after_a_crash_elsewhere,
        "several runs on one folder": disk.two_runs,
    }
    if disk.may_mount():
        spare = [0, 4, 16, 64, 128, 192, 256, 320, 384, 448, 512, 640, 768, 1024, 2048]
        kinds["disk full"] = lambda root: disk.full_disk(root, spare)
        kinds["disk read-only"] = disk.read_only
        kinds["no home, no room for temporary files, an old narrow screen"] = disk.no_home_or_temporary_room
    return kinds


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--kills", type=int, default=200, help="kills at random moments")
    options.add_argument("--every", type=int, default=1, help="kill before every so many-th change only")
    options.add_argument("--only", help="kinds whose name holds this")
    options.add_argument("--minutes", type=float, default=28.0, help="after so many no further kind is begun")
    options.add_argument("--report", type=Path, help="write the tally there as JSON")
    given = options.parse_args()
    tallies: dict[str, Any] = {}
    ends = time.perf_counter() + 60.0 * given.minutes
    for name, run in faults(given.kills, given.every).items():
        if given.only and given.only not in name:
            continue
        if time.perf_counter() > ends:
            print(f"{name}: not begun, the time is up", flush=True)
            continue
        began = time.perf_counter()
        with tempfile.TemporaryDirectory(prefix="faults-") as root:
            tally = asdict(run(Path(root)))
        tallies[name] = {**tally, "seconds": round(time.perf_counter() - began)}
        print(f"{name}: {json.dumps(tallies[name])}", flush=True)
    bad = sum(len(tally["faults"]) for tally in tallies.values())
    print(f"{bad} faults")
    if given.report:
        given.report.write_text(json.dumps(tallies, indent=1) + "\n", encoding="utf-8")
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
