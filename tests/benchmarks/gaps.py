"""The `gaps` step on 1, 10 and 100 km of perimeter: time, growth with length, peak memory.

`python -m tests.benchmarks.gaps [KM ...]`; goals on two cores: 10 km, two heads a stack, three threats, rasters and
crossings included, under 15 s; cost growing no faster than length^1.05; under 1 GB at 100 km. Each length runs in a
process of its own, on a plan laid out beforehand; the time is that of the step alone, without and with the uncertainty
(certainty from 32 drawn grounds for every zone near the threshold, and sensitivity). Goal with it at 10 km: at most
twice the time without, under 600 MB. Not reached: measured in several runs, 46 to 53 s of a processor to 15 to 18 s,
2.6 to 3 times, 525 MB; it is less on 2 km, about twice, because 2 s of every run hang on no length. Two thirds of what
it adds are the drawn grounds, 2 to 3 ms a beam and ground: a third of that is the marching, a fifth the lateral
integral. Processor seconds of one and the same run differ by half with what else the machine does: compare by turns.
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

from geotools.engine.runner import Job
from geotools.site import open_site
from tests.benchmarks.sites import write_site


def lay(folder: str, kilometres: float) -> None:
    """Write the site and lay its zones out."""
    site = open_site(write_site(Path(folder) / "input", 1000.0 * kilometres))
    with Job(site, Path(folder) / "out") as job:
        for step in ("inspect", "layout"):
            job.run(step)


def one(folder: str, uncertainty: bool) -> None:
    """Measure the step on a plan that is laid out, and print it as JSON."""
    with Job(open_site(Path(folder) / "input" / "site.toml"), Path(folder) / "out", overwrite=True) as job:
        started, busy = time.perf_counter(), time.process_time()
        outcome = job.run("gaps", uncertainty=uncertainty)
        seconds, busy = time.perf_counter() - started, time.process_time() - busy
    found = {
        "zones": len(outcome.summary["table"]["rows"]),
        "seconds": seconds,
        "core_seconds": busy,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "dead_spots": outcome.summary["dead_spots"],
    }
    print(json.dumps(found))


def _own_process(*words: object) -> str:
    command = [sys.executable, "-m", "tests.benchmarks.gaps", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def main(lengths: list[float]) -> None:
    """Measure every length and print a line each."""
    last: dict[bool, tuple[float, float]] = {}
    for kilometres in lengths:
        with tempfile.TemporaryDirectory() as folder:
            _own_process("--lay", folder, kilometres)
            for uncertainty in (False, True) if kilometres <= 10 else (False,):
                found = json.loads(_own_process("--one", folder, int(uncertainty)).splitlines()[-1])
                growth = ""
                if uncertainty in last:
                    before, seconds = last[uncertainty]
                    power = math.log(found["core_seconds"] / seconds) / math.log(kilometres / before)
                    growth = f", grows as length^{power:.2f}"
                last[uncertainty] = (kilometres, found["core_seconds"])
                print(
                    f"{kilometres:g} km, {found['zones']} zones, {'with' if uncertainty else 'without'} uncertainty: "
                    f"{found['seconds']:.1f} s ({found['core_seconds']:.1f} s of cores){growth}; peak memory "
                    f"{found['peak_mb']:.0f} MB; {found['dead_spots']} dead spots",
                    flush=True,
                )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--lay"]:
        lay(sys.argv[2], float(sys.argv[3]))
    elif sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], sys.argv[3] == "1")
    else:
        main([float(word) for word in sys.argv[1:]] or [1.0, 10.0, 100.0])
