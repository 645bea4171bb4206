"""The `gaps` step on 1, 10 and 100 km of perimeter: time, growth with length, peak memory.

`python -m tests.benchmarks.gaps [KM ...]`; goals on two cores: 10 km, two heads a stack, three threats, rasters and
crossings included, under 15 s; cost growing no faster than length^1.05; under 1 GB at 100 km. Each length runs in a
process of its own, which also lays the zones out beforehand; the time is that of the step alone, without and with the
doubts (certainty from 32 drawn grounds for every zone near the threshold, and sensitivity).
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from geotools.runner import Job
from geotools.site import open_site
from tests.benchmarks.sites import write_site


def one(kilometres: float, doubts: bool) -> None:
    """Measure one length and print it as JSON."""
    with tempfile.TemporaryDirectory() as folder:
        site = open_site(write_site(Path(folder) / "input", 1000.0 * kilometres))
        with Job(site, Path(folder) / "out", overwrite=True) as job:
            for step in ("inspect", "layout"):
                job.run(step)
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            started, busy = time.perf_counter(), time.process_time()
            outcome = job.run("gaps", doubts=doubts)
            seconds, busy = time.perf_counter() - started, time.process_time() - busy
        found = {
            "zones": len(outcome.summary["table"]["rows"]),
            "seconds": seconds,
            "core_seconds": busy,
            "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
            "peak_before_mb": before,
            "dead_spots": outcome.summary["dead_spots"],
        }
    print(json.dumps(found))


def main(lengths: list[float]) -> None:
    """Measure every length and print a line each."""
    for doubts in (False, True):
        last: tuple[float, float] | None = None
        for kilometres in lengths:
            if doubts and kilometres > 10:
                continue
            command = [sys.executable, "-m", "tests.benchmarks.gaps", "--one", str(kilometres), str(int(doubts))]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            found = json.loads(done.stdout.splitlines()[-1])
            growth = ""
            if last is not None:
                power = math.log(found["core_seconds"] / last[1]) / math.log(kilometres / last[0])
                growth = f", grows as length^{power:.2f}"
            last = (kilometres, found["core_seconds"])
            print(
                f"{kilometres:g} km, {found['zones']} zones, {'with' if doubts else 'without'} doubts: "
                f"{found['seconds']:.1f} s ({found['core_seconds']:.1f} s of cores){growth}; peak memory "
                f"{found['peak_mb']:.0f} MB (before the step {found['peak_before_mb']:.0f} MB); "
                f"{found['dead_spots']} dead spots",
                flush=True,
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(float(sys.argv[2]), sys.argv[3] == "1")
    else:
        main([float(word) for word in sys.argv[1:]] or [1.0, 10.0, 100.0])
