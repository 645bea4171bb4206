"""Hostile input, in bulk: `python -m tests.fuzz.run [--cases 10000] [--subject NAME] [--report docs/...]`.

Each case damages one file of a small valid site, or replaces it by one that hypothesis built from what the format may
hold, and runs the command line on it. What must hold: an exit code of the documented ones with words, no traceback, an
answer within 10 s (time in which other work has the processors left out), less than 1 GB of memory, no file changed
outside the output folder, nothing half-written left behind. A damaged case is named by subject and number and can run
alone: `--subject "fence DXF" --seed 17`; a built one is told with its content, which `--content` takes.
"""

from __future__ import annotations

import argparse
import json
import selectors
import subprocess
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

from tests.fuzz.subjects import SUBJECTS
from tests.fuzz.wild_run import each_case
from tests.fuzz.wild_subjects import WILD_SUBJECTS

MAX_SECONDS = 10.0
MAX_MEMORY_MB = 1000
#: For all commands of a case together; each of them has ten seconds.
PATIENCE_S = 45.0


class Driver:
    """One worker process; begun anew when it hangs, dies or has grown. It makes the valid sites before it counts."""

    def __init__(self, subjects: Sequence[str]) -> None:
        self.subjects = subjects
        self.process: subprocess.Popen[str] | None = None

    def _begin(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "tests.fuzz.worker", *self.subjects]
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)
        assert process.stdout is not None
        if process.stdout.readline().strip() != '"ready"':
            raise RuntimeError("the worker does not begin: an undamaged site fails, or the package cannot be loaded")
        return process

    def ask(self, case: dict[str, object]) -> dict[str, object]:
        """What comes of a case; one that took too long is run again, for a machine may stand still for a while."""
        first = self._ask(case)
        if not first.get("late"):
            return first
        second = self._ask(case)
        return {**second, "again": True}

    def _ask(self, case: dict[str, object], patience: float = PATIENCE_S) -> dict[str, object]:
        """What comes of a case, with the bounds of time and memory judged."""
        if self.process is None:
            self.process = self._begin()
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(case) + "\n")
        self.process.stdin.flush()
        with selectors.DefaultSelector() as ready:
            ready.register(self.process.stdout, selectors.EVENT_READ)
            if not ready.select(patience):
                self.stop()
                return {"faults": [f"no answer within {patience:g} s"], "codes": [], "late": True}
        answer = self.process.stdout.readline()
        if not answer:
            code = self.process.wait()
            self.process = None
            return {"faults": [f"the process died with {code}"], "codes": [], "died": True}
        result: dict[str, object] = json.loads(answer)
        if float(str(result["seconds"])) > MAX_SECONDS:
            result["faults"] = [*list(result["faults"]), f"took {result['seconds']} s"]  # type: ignore[call-overload]
            result["late"] = True
        if int(str(result["memory_mb"])) > MAX_MEMORY_MB:
            result["faults"] = [*list(result["faults"]), f"{result['memory_mb']} MB"]  # type: ignore[call-overload]
            self.stop()
        return result

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


class Count:
    """What came of the cases so far."""

    def __init__(self, say: bool, most_s: float = float("inf")) -> None:
        self.say = say
        self.cases = 0
        self.again = 0
        self.started = time.perf_counter()
        self.most_s = most_s
        self._lock = threading.Lock()
        self.tally: dict[str, Counter[str]] = defaultdict(Counter)
        self.slowest: Counter[str] = Counter()
        self.clock: Counter[str] = Counter()
        self.largest: Counter[str] = Counter()
        self.faults: list[dict[str, object]] = []

    @property
    def seconds(self) -> float:
        """Since the first case."""
        return time.perf_counter() - self.started

    @property
    def over(self) -> bool:
        """Whether no further case is to be begun."""
        return self.seconds > self.most_s

    def add(self, case: dict[str, object], result: dict[str, object]) -> None:
        """Count a case; tell it where it is a fault."""
        with self._lock:
            self._add(case, result)

    def _add(self, case: dict[str, object], result: dict[str, object]) -> None:
        name = str(case["subject"])
        codes = list(result["codes"])  # type: ignore[call-overload]
        refused = bool(codes and codes[-1])
        self.cases += 1
        self.again += bool(result.get("again"))
        self.tally[name]["faults" if result["faults"] else "refused" if refused else "accepted"] += 1
        self.slowest[name] = max(self.slowest[name], round(1000 * float(str(result.get("seconds", 0)))))
        self.clock[name] = max(self.clock[name], round(1000 * float(str(result.get("clock", 0)))))
        self.largest[name] = max(self.largest[name], int(str(result.get("memory_mb", 0))))
        if result["faults"]:
            self.faults.append({**case, **result})
            if self.say:
                print(json.dumps(self.faults[-1]), flush=True)
        if self.say and self.cases % 1000 == 0:
            print(f"{self.cases} cases, {self.seconds:.0f} s, {len(self.faults)} faults", flush=True)

    def result(self) -> dict[str, object]:
        """The tally by subject, and every fault."""
        return {
            "cases": self.cases,
            "seconds": round(self.seconds),
            "again": self.again,
            "faults": self.faults,
            "subjects": {
                name: {
                    "cases": sum(counts.values()),
                    **counts,
                    "slowest_ms": self.slowest[name],
                    "by_the_clock_ms": self.clock[name],
                    "memory_mb": self.largest[name],
                }
                for name, counts in self.tally.items()
            },
        }


def run(cases: int, subjects: list[str], first_seed: int = 0, *, count: Count | None = None) -> dict[str, object]:
    """Run cases of damage, spread over the subjects; the tally, and every fault by subject and number."""
    counted = count or Count(say=False)
    driver = Driver(subjects)
    try:
        for number in range(cases):
            if counted.over:
                break
            case: dict[str, object] = {
                "subject": subjects[number % len(subjects)],
                "seed": first_seed + number // len(subjects),
            }
            counted.add(case, driver.ask(case))
    finally:
        driver.stop()
    return counted.result()


def run_wild(cases: int, subjects: list[str], seed: int | None = 0, *, count: Count | None = None) -> dict[str, object]:
    """Run cases that hypothesis builds, the same number of each subject; the tally, and every fault with its file."""
    counted = count or Count(say=False)
    driver = Driver(subjects)
    try:
        for place, name in enumerate(subjects):
            share = cases // len(subjects) + (place < cases % len(subjects))
            if share and not counted.over:
                each_case(name, share, seed, lambda case: counted.add(case, driver.ask(case)))
    finally:
        driver.stop()
    return counted.result()


def main() -> None:
    damaged, built = [s.name for s in SUBJECTS], [s.name for s in WILD_SUBJECTS]
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--cases", type=int, default=10_000)
    options.add_argument("--wild-share", type=float, default=0.3, help="share of the cases that hypothesis builds")
    options.add_argument("--subject", action="append", choices=[*damaged, *built])
    options.add_argument("--seed", type=int, help="run this one case of each damaged subject")
    options.add_argument("--content", help="run this one file, in base64, as the subject's")
    options.add_argument("--first-seed", type=int, default=0)
    options.add_argument("--workers", type=int, default=2, help="1: built files first, then damaged ones")
    options.add_argument("--minutes", type=float, default=28.0, help="after so many no further case is begun")
    options.add_argument("--report", type=Path, help="write the tally there as JSON")
    given = options.parse_args()
    damaged = [name for name in damaged if name in (given.subject or damaged)]
    built = [name for name in built if name in (given.subject or built)]
    count = Count(say=True, most_s=60.0 * given.minutes)
    if given.content is not None:
        driver = Driver(given.subject)
        case = {"subject": given.subject[0], "content": given.content}
        count.add(case, driver.ask(case))
        driver.stop()
    elif given.seed is not None:
        run(len(damaged), damaged, given.seed, count=count)
    else:
        wild = 0 if not built else given.cases if not damaged else round(given.cases * given.wild_share)
        # built files by one worker, for hypothesis draws them one after the other; damaged ones by another beside it
        jobs: list[Callable[[], object]] = []
        if wild:
            jobs.append(partial(run_wild, wild, built, given.first_seed, count=count))
        if damaged:
            jobs.append(partial(run, given.cases - wild, damaged, given.first_seed, count=count))
        with ThreadPoolExecutor(given.workers) as pool:
            for done in [pool.submit(job) for job in jobs]:
                done.result()
    result = count.result()
    for name, row in result["subjects"].items():  # type: ignore[attr-defined]
        print(f"{name}: {json.dumps(row)}")
    print(f"{count.cases} cases in {count.seconds:.0f} s, {count.again} run again, {len(count.faults)} faults")
    if given.report:
        given.report.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    sys.exit(1 if count.faults else 0)


if __name__ == "__main__":
    main()
