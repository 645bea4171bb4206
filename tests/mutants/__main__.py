"""Faults in the numerics, and whether the tests notice: `python -m tests.mutants [--sample N] [--seed S] [--known]`.

A fault that survives and is known to change nothing (`equal.py`, with why) is listed as equal and not as survived.
``--known`` tries the faults made by hand (`known.py`), each against its own test. Without it a sample of the faults
that a mutation library (cosmic-ray, extra ``mutants``) knows is tried against the narrow tests of its module; with
``--again`` those alone that survived in a report of the same sample and the same code, once tests were written.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from dataclasses import asdict, replace
from pathlib import Path

from tests.mutants.equal import why_equal
from tests.mutants.known import KNOWN
from tests.mutants.trying import Outcome, Trial, attempts, load_libraries

#: What a fault is called, the trial of it, and why it changes nothing, empty where it does.
Named = tuple[str, Trial, str]


def _known(only: str) -> list[Named]:
    return [
        (f"{one.module}: {one.fault}", Trial(one.module, one.source(), (one.test,)), "")
        for one in KNOWN
        if only in one.module
    ]


def _sampled(count: int, seed: int, only: str) -> list[Named]:
    # the one part that needs the library
    from tests.mutants.sampling import sample
    from tests.mutants.scopes import MODULES, narrow_tests

    drawn = sample([module for module in MODULES if only in module], count, seed)
    listed = []
    for one in drawn:
        line, before, after = one.where()
        trial = Trial(one.module, one.source(), narrow_tests(one.module))
        listed.append((f"{one.module}:{line}: {before}  ->  {after}", trial, why_equal(one.module, before, after)))
    return listed


def _report(tried: list[tuple[str, Outcome]], seconds: float) -> dict[str, object]:
    count = Counter(outcome.verdict for _, outcome in tried)
    told = count["caught"] + count["timeout"]
    return {
        "faults": len(tried),
        **{verdict: count[verdict] for verdict in ("caught", "timeout", "survived", "equal")},
        # one that never ends is noticed too
        "noticed, of those that change something": round(told / max(told + count["survived"], 1), 4),
        "seconds": round(seconds),
        "processor_s": round(sum(outcome.processor_s for _, outcome in tried)),
        "survivors": [name for name, outcome in tried if outcome.verdict == "survived"],
        "equal_and_why": [f"{name}  ({outcome.test})" for name, outcome in tried if outcome.verdict == "equal"],
    }


def main() -> None:
    """Try faults and say which survived; exit code 1 where a known one did."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--known", action="store_true", help="the faults made by hand")
    options.add_argument("--sample", type=int, default=600, help="how many faults are drawn")
    options.add_argument("--seed", type=int, default=1, help="another seed draws others")
    options.add_argument("--only", default="", help="modules whose name holds this")
    options.add_argument("--workers", type=int, default=2, help="how many are tried at once")
    options.add_argument("--most", type=float, default=300.0, help="seconds after which a trial counts as a timeout")
    options.add_argument("--minutes", type=float, default=28.0, help="after so many no further fault is begun")
    options.add_argument("--again", type=Path, help="only what survived in this report of the same sample")
    options.add_argument("--report", type=Path, help="write the tally there as JSON")
    given = options.parse_args()
    load_libraries()
    began = time.perf_counter()
    named = _known(given.only) if given.known else _sampled(given.sample, given.seed, given.only)
    if given.again:
        held = json.loads(given.again.read_text(encoding="utf-8"))
        named = [one for one in named if one[0] in held["survivors"]]
    tried: list[tuple[str, Outcome]] = []
    ends = began + 60.0 * given.minutes
    outcomes = attempts([(trial, given.most) for _, trial, _ in named], given.workers, ends)
    for (name, _, why), found in zip(named, outcomes, strict=True):
        if found.verdict == "not tried":
            continue
        outcome = replace(found, verdict="equal", test=why) if why and found.verdict == "survived" else found
        tried.append((name, outcome))
        print(f"{outcome.verdict:8} {outcome.processor_s:5.1f} s  {name}  {outcome.test}", flush=True)
    report = {"asked": len(named), **_report(tried, time.perf_counter() - began)}
    print(json.dumps(report, indent=1))
    if given.report:
        given.report.write_text(
            json.dumps({**report, "each": [{"fault": n, **asdict(o)} for n, o in tried]}, indent=1) + "\n",
            encoding="utf-8",
        )
    sys.exit(1 if given.known and report["survived"] else 0)


if __name__ == "__main__":
    main()
