"""A batch on two local workers against one: `python -m tests.benchmarks.workers [SITES]`. Goal: at least 1.7 times.

Both runs are of the same invented sites, one after the other; the machine should have nothing else to do.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.sites import write_site


def main(sites: int = 8) -> None:
    """Print both times and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "sites").mkdir()
        for number in range(sites):
            made = write_site(home / "input" / str(number), 600.0 + 40 * number)
            text = (
                made.read_text()
                .replace('fence = "', f'fence = "{made.parent}/')
                .replace('terrain = "', f'terrain = "{made.parent}/')
            )
            (home / "sites" / f"yard-{number}.toml").write_text(text)
        took = {}
        for workers in (1, 2):
            began = time.perf_counter()
            command = [
                sys.executable,
                "-m",
                "geotools",
                "batch",
                str(home / "sites"),
                "--out",
                str(home / f"out{workers}"),
            ]
            subprocess.run([*command, "--workers", str(workers), "--quiet"], check=True, capture_output=True)
            took[workers] = time.perf_counter() - began
            print(f"{sites} sites on {workers} worker(s): {took[workers]:.1f} s", flush=True)
        print(f"two workers against one: {took[1] / took[2]:.2f} times as fast")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
