"""The whole job on a long border, step by step: seconds of clock and processors and peak memory of each, by length.

`python -m tests.benchmarks.long_line [KM ...] [--workers N] [--limit SECONDS] [--only STEP ...] [--keep FOLDER]
[--cell METRES]` (default 3 10, cells of 0.5 m). The ground is that of `border.py`. Each step of the whole run has a
process of its own, so that memory is the step's; seconds are those of the step on a plan that is there, start-up left
out. With `--keep` site and plan stay in FOLDER/KM, and a second call repeats the steps named by `--only` on them. What
became of a step that fails or takes longer than the limit is printed, and the following are tried all the same.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from geotools.engine.memory import few_heaps, rare_collections
from geotools.engine.runner import Job, plan_steps
from geotools.engine.workers import workers_for
from geotools.plan.schema import ZONES
from geotools.site import open_site
from tests.benchmarks.border import write_border


def one(folder: Path, step: str, workers: int) -> dict[str, Any]:
    """Seconds of the clock and of all processors, peak memory of the largest process in MB, zones of the plan."""
    few_heaps()
    rare_collections()
    shared = workers_for(workers)
    with Job(open_site(folder / "site.toml"), folder / "out", overwrite=True, workers=shared) as job:
        began, busy = time.perf_counter(), time.process_time()
        job.run(step)
        seconds, busy = time.perf_counter() - began, time.process_time() - busy
        zones = len(job.workspace.read(ZONES)) if job.workspace.has(ZONES) else 0
    shared.close()
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return {
        "step": step,
        "zones": zones,
        "seconds": round(seconds, 1),
        "processor_s": round(busy + others.ru_utime + others.ru_stime, 1),
        "peak_mb": max(own.ru_maxrss, others.ru_maxrss) // 1024,
    }


def measured(folder: Path, step: str, workers: int, limit_s: float) -> dict[str, Any]:
    """The step in a process of its own: what `one` finds, or what became of it under `failed`."""
    command = [sys.executable, "-m", "tests.benchmarks.long_line", "--one", str(folder), step, str(workers)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=limit_s)
    except subprocess.TimeoutExpired:
        return {"step": step, "failed": f"broken off after {limit_s:.0f} s"}
    if done.returncode:
        return {"step": step, "failed": done.stderr.strip()[-600:]}
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def main(words: list[str]) -> None:
    """Print a line for every length and step."""
    parser = argparse.ArgumentParser()
    parser.add_argument("km", nargs="*", type=int, default=[3, 10])
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--limit", type=float, default=1800.0)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--cell", type=float, default=0.5)
    asked = parser.parse_args(words)
    for kilometres in asked.km:
        with tempfile.TemporaryDirectory(prefix="long-line-") as scratch:
            folder = (asked.keep or Path(scratch)) / str(kilometres)
            if not (folder / "site.toml").exists():
                folder.mkdir(parents=True, exist_ok=True)
                write_border(folder, kilometres, asked.cell)
            total: dict[str, float] = {"seconds": 0.0, "processor_s": 0.0, "peak_mb": 0.0}
            for step in asked.only or [step.name for step in plan_steps()]:
                found = measured(folder, step, asked.workers, asked.limit)
                if "failed" in found:
                    print(f"{kilometres:4d} km  {step:<11} {found['failed']}", flush=True)
                    continue
                print(
                    f"{kilometres:4d} km  {step:<11}{found['zones']:6d} zones {found['seconds']:8.1f} s "
                    f"{found['processor_s']:8.1f} s of processors {found['peak_mb']:6d} MB",
                    flush=True,
                )
                total["seconds"] += found["seconds"]
                total["processor_s"] += found["processor_s"]
                total["peak_mb"] = max(total["peak_mb"], found["peak_mb"])
            print(
                f"{kilometres:4d} km  in all {total['seconds']:.1f} s, {total['processor_s']:.1f} s of processors, "
                f"at most {total['peak_mb']:.0f} MB",
                flush=True,
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(one(Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]))))
    else:
        main(sys.argv[1:])
