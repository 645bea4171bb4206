"""Layout and channels of a long perimeter: time, growth with length, peak memory.

`python -m tests.benchmarks.layout [METRES ...]` (default 5000 10000 20000). Goal: 20 km laid out and given channels
in 60 s on two cores, growth near 1. Each length runs in a process of its own, so that its peak memory is its own; the
ratio to the first one is of the same run.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.sites import write_site

CHILD = """
import json, resource, sys, time
import geotools
site, out = geotools.open_site(sys.argv[1]), sys.argv[2]
geotools.run_step("inspect", site, out)
seconds, summary = {}, {}
for step in ("layout", "channels"):
    started = time.perf_counter()
    summary[step] = geotools.run_step(step, site, out).summary
    seconds[step] = time.perf_counter() - started
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"seconds": seconds, "summary": summary, "peak_mb": peak}))
"""


def measure(perimeter_m: float) -> dict:
    """One length in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        site = write_site(Path(folder) / "input", perimeter_m, cell_m=1.0)
        done = subprocess.run(
            [sys.executable, "-c", CHILD, str(site), str(Path(folder) / "out")],
            capture_output=True,
            text=True,
            check=True,
        )
    return json.loads(done.stdout.splitlines()[-1])


def main(lengths: list[float]) -> None:
    first = None
    for length in lengths:
        found = measure(length)
        total = sum(found["seconds"].values())
        first = first or (length, total)
        layout, channels = found["summary"]["layout"], found["summary"]["channels"]
        ratio = total / first[1] / (length / first[0])
        print(
            f"{length:7g} m  {layout['zones']:4d} zones  layout {found['seconds']['layout']:6.1f} s  channels "
            f"{found['seconds']['channels']:5.1f} s  peak {found['peak_mb']:5.0f} MB  time per metre against the "
            f"first {ratio:.2f}  {channels['channels']} channels, least margin {channels['least_margin_db']:.1f} dB, "
            f"optimal {channels['optimality_shown']}"
        )


if __name__ == "__main__":
    main([float(word) for word in sys.argv[1:]] or [5000.0, 10000.0, 20000.0])
