"""Hostile input, in bulk: `python -m tests.fuzz.run [--cases 10000] [--subject NAME] [--report docs/...]`.

Each case damages one file of a small valid site and runs the command line on it. What must hold: an exit code of the
documented ones with words, no traceback, an answer within 10 s, less than 1 GB of memory, no file changed outside the
output folder, nothing half-written left behind. A case is named by subject and number and can be run alone:
`--subject "fence DXF" --seed 17`.
"""

from __future__ import annotations

import argparse
import json
import selectors
import subprocess
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

from tests.fuzz.subjects import SUBJECTS

MAX_SECONDS = 10.0
MAX_MEMORY_MB = 1000


class Driver:
    """One worker process; begun anew when it hangs, dies or has grown. It makes the valid sites before it counts."""

    def __init__(self) -> None:
        self.process: subprocess.Popen[str] | None = None

    def _begin(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "tests.fuzz.worker"]
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)
        assert process.stdout is not None
        if process.stdout.readline().strip() != '"ready"':
            raise RuntimeError("the worker does not begin: an undamaged site fails, or the package cannot be loaded")
        return process

    def ask(self, subject: str, seed: int, patience: float) -> dict[str, object]:
        if self.process is None:
            self.process = self._begin()
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps({"subject": subject, "seed": seed}) + "\n")
        self.process.stdin.flush()
        with selectors.DefaultSelector() as ready:
            ready.register(self.process.stdout, selectors.EVENT_READ)
            if not ready.select(patience):
                self.stop()
                return {"faults": [f"no answer within {patience:g} s"], "codes": [], "hang": True}
        answer = self.process.stdout.readline()
        if not answer:
            code = self.process.wait()
            self.process = None
            return {"faults": [f"the process died with {code}"], "codes": [], "died": True}
        result: dict[str, object] = json.loads(answer)
        if float(str(result["seconds"])) > MAX_SECONDS:
            result["faults"] = [*list(result["faults"]), f"took {result['seconds']} s"]  # type: ignore[call-overload]
        if int(str(result["memory_mb"])) > MAX_MEMORY_MB:
            result["faults"] = [*list(result["faults"]), f"{result['memory_mb']} MB"]  # type: ignore[call-overload]
            self.stop()
        return result

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def run(
    cases: int, subjects: list[str], first_seed: int = 0, *, say: bool = True, minutes: float = 1e9
) -> dict[str, object]:
    """Run up to ``cases`` cases spread over the subjects; the tally, and every fault by subject and number."""
    driver = Driver()
    tally: dict[str, Counter[str]] = defaultdict(Counter)
    slowest: Counter[str] = Counter()
    largest: Counter[str] = Counter()
    faults: list[dict[str, object]] = []
    started = time.perf_counter()
    try:
        for number in range(cases):
            if time.perf_counter() - started > 60.0 * minutes:
                cases = number
                break
            subject, seed = subjects[number % len(subjects)], first_seed + number // len(subjects)
            result = driver.ask(subject, seed, MAX_SECONDS + 5)
            codes = list(result["codes"])  # type: ignore[call-overload]
            refused = bool(codes and codes[-1])
            tally[subject]["faults" if result["faults"] else "refused" if refused else "accepted"] += 1
            slowest[subject] = max(slowest[subject], round(1000 * float(str(result.get("seconds", 0)))))
            largest[subject] = max(largest[subject], int(str(result.get("memory_mb", 0))))
            if result["faults"]:
                faults.append({"subject": subject, "seed": seed, **result})
                if say:
                    print(json.dumps(faults[-1]), flush=True)
            if say and number and number % 1000 == 0:
                print(f"{number} of {cases}, {time.perf_counter() - started:.0f} s, {len(faults)} faults", flush=True)
    finally:
        driver.stop()
    return {
        "cases": cases,
        "seconds": round(time.perf_counter() - started),
        "faults": faults,
        "subjects": {
            name: {**tally[name], "slowest_ms": slowest[name], "memory_mb": largest[name]} for name in subjects
        },
    }


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--cases", type=int, default=10_000)
    options.add_argument("--subject", action="append", choices=[s.name for s in SUBJECTS])
    options.add_argument("--seed", type=int, help="run this one case of each subject")
    options.add_argument("--first-seed", type=int, default=0)
    options.add_argument("--report", type=Path, help="write the tally there as JSON")
    options.add_argument("--minutes", type=float, default=1e9, help="end after so many minutes, with fewer cases")
    given = options.parse_args()
    subjects = given.subject or [s.name for s in SUBJECTS]
    if given.seed is not None:
        result = run(len(subjects), subjects, given.seed)
    else:
        result = run(given.cases, subjects, given.first_seed, minutes=given.minutes)
    print(json.dumps(result["subjects"], indent=1))
    print(f"{result['cases']} cases in {result['seconds']} s, {len(list(result['faults']))} faults")  # type: ignore[call-overload]
    if given.report:
        given.report.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    sys.exit(1 if result["faults"] else 0)


if __name__ == "__main__":
    main()
