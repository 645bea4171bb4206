"""The whole `geotools run` on 2 km of perimeter: time, processor time and peak memory of all its processes together.

`python -m tests.benchmarks.whole_run [METRES [WORKERS]]`; goal: 2 km, 20 zones, two heads a stack, 0.5 m cells: 20 s,
600 MB on two cores, with nothing else to do. Not reached: the search for remedies alone takes three minutes there.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.memory import run_sampled
from tests.benchmarks.sites import write_site


def main(perimeter_m: float = 2000.0, workers: float | None = None) -> None:
    """Print time of one run and memory of another, then the seconds of each step."""
    with tempfile.TemporaryDirectory() as folder:
        site = write_site(Path(folder) / "input", perimeter_m)
        out = Path(folder) / "out"
        command = [sys.executable, "-m", "geotools", "run", str(site), "--out", str(out), "--json"]
        if workers is not None:
            command += ["--workers", str(int(workers))]
        started = time.perf_counter()
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        seconds = time.perf_counter() - started
        spent = resource.getrusage(resource.RUSAGE_CHILDREN)
        # a second time for memory: to ask the system for it 20 times a second holds the run up
        ran = run_sampled([*command, "--overwrite"])
        summary = json.loads((out / "summary.json").read_text())["steps"]
        print(
            f"{perimeter_m:g} m, {summary['layout']['zones']} zones: {seconds:.1f} s, "
            f"processors {spent.ru_utime + spent.ru_stime:.1f} s, "
            f"peak memory {ran.peak_mb:.0f} MB over {ran.processes} process(es)"
        )
        for line in done.stdout.splitlines():
            event = json.loads(line)
            if event["event"] == "step" and event["state"] == "done":
                print(f"  {event['step']:<12}{event['seconds']:8.2f} s")


if __name__ == "__main__":
    main(*(float(word) for word in sys.argv[1:]))
