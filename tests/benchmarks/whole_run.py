"""The whole `geotools run` on 2 km of perimeter: time and peak memory of the process and its children.

`python -m tests.benchmarks.whole_run [METRES]`; goal: 2 km, 20 zones, two heads a stack, 0.5 m cells: 20 s, 600 MB
on two cores.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.sites import write_site


def main(perimeter_m: float = 2000.0) -> None:
    with tempfile.TemporaryDirectory() as folder:
        site = write_site(Path(folder) / "input", perimeter_m)
        out = Path(folder) / "out"
        started = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "geotools", "run", str(site), "--out", str(out), "--json"],
            capture_output=True,
            text=True,
            check=True,
        )
        seconds = time.perf_counter() - started
        peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        summary = json.loads((out / "summary.json").read_text())["steps"]
        print(f"{perimeter_m:g} m, {summary['layout']['zones']} zones: {seconds:.1f} s, peak memory {peak_mb:.0f} MB")
        for line in done.stdout.splitlines():
            event = json.loads(line)
            if event["event"] == "step" and event["state"] == "done":
                print(f"  {event['step']:<12}{event['seconds']:8.2f} s")


if __name__ == "__main__":
    main(*(float(word) for word in sys.argv[1:]))
