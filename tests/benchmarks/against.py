"""The whole run of this tree against that of another commit, by turns, with the same interpreter and packages.

`python -m tests.benchmarks.against COMMIT [ROUNDS [METRES ...]]`: the commit is cloned to a temporary folder; each
round runs both, one after the other, on the demonstration and on a site of so many metres of perimeter (2000 if none is
given; 0 leaves it out). Prints the medians of wall and processor seconds, processors of all processes together, the
seconds of each step, and the peak memory of one more run. Processor seconds tell more than wall seconds where other
work shares the machine; both depend on it, so that only runs of one go compare.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests.benchmarks.memory import run_sampled
from tests.benchmarks.sites import write_site

HERE = Path(__file__).parents[2]


@dataclass
class Runs:
    """What the runs of one tree took: wall and processor seconds of each, and seconds by step."""

    tree: Path
    wall: list[float] = field(default_factory=list)
    processors: list[float] = field(default_factory=list)
    steps: dict[str, list[float]] = field(default_factory=dict)

    def command(self, job: list[str], out: Path) -> list[str]:
        """The command line that runs this tree, and no other that is installed."""
        there = f"import sys; sys.path.insert(0, {str(self.tree)!r}); from geotools.__main__ import main; main()"
        return [sys.executable, "-c", there, *job, "--out", str(out), "--json"]

    def run(self, job: list[str], out: Path) -> None:
        """One run, measured; CalledProcessError where it fails."""
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        done = _quietly(self.command(job, out))
        self.wall.append(time.perf_counter() - began)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        self.processors.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        for line in done.stdout.splitlines():
            event = json.loads(line)
            if event.get("event") == "step" and event.get("state") == "done":
                self.steps.setdefault(event["step"], []).append(event["seconds"])


def _quietly(command: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, check=True)


def compare(trees: dict[str, Path], job: list[str], rounds: int, folder: Path) -> None:
    """Print what a job takes with each tree."""
    runs = {name: Runs(tree) for name, tree in trees.items()}
    for number in range(rounds):
        # whoever goes first finds other work on the machine as often as the other
        for name, one in list(runs.items())[:: 1 if number % 2 == 0 else -1]:
            one.run(job, folder / f"{name}-{number}")
    for name, one in runs.items():
        peak = run_sampled(one.command(job, folder / f"{name}-memory")).peak_mb
        steps = ", ".join(f"{step} {median(taken):.1f}" for step, taken in one.steps.items())
        print(f"  {name:<10}wall {median(one.wall):6.1f} s, processors {median(one.processors):6.1f} s, {peak:.0f} MB")
        print(f"            {steps}")


def main(commit: str, rounds: int = 3, *metres: float) -> None:
    """Compare this tree with a commit."""
    with tempfile.TemporaryDirectory() as folder:
        there = Path(folder) / "there"
        _quietly(["git", "clone", "--quiet", str(HERE), str(there)])
        _quietly(["git", "-C", str(there), "checkout", "--quiet", commit])
        trees = {commit[:9]: there, "this tree": HERE}
        print(f"the demonstration, medians of {rounds}")
        compare(trees, ["demo"], rounds, Path(folder) / "demo")
        for perimeter_m in metres or (2000.0,):
            if perimeter_m:
                site = write_site(Path(folder) / f"site-{perimeter_m:g}", perimeter_m)
                print(f"{perimeter_m:g} m of perimeter, medians of {rounds}")
                compare(trees, ["run", str(site)], rounds, Path(folder) / f"run-{perimeter_m:g}")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 3, *(float(word) for word in sys.argv[3:]))
