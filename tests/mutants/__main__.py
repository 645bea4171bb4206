"""Faults in the numerics, and whether the tests notice: `python -m tests.mutants [--sample N] [--seed S] [--known]`.

A fault that survives and is known to change nothing (`equal.py`, with why) is listed as equal and not as survived.
``--known`` tries the faults made by hand (`known.py`), each against its own test. Without it a sample of the faults
that a mutation library (cosmic-ray, extra ``mutants``) knows is tried against the narrow tests of its module. Another
code gives another sample for the same seed: ``--same`` tries the faults of a report anew, those that still stand in the
code, and ``--again`` of these the ones alone that survived, once tests were written.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from tests.mutants.equal import why_equal
from tests.mutants.known import KNOWN
from tests.mutants.trying import Outcome, Trial, attempts, load_libraries

if TYPE_CHECKING:
    from tests.mutants.sampling import Mutant

#: What a fault is called, the trial of it, why it changes nothing, empty where it does, and where it stands.
Named = tuple[str, Trial, str, dict[str, object]]


def _known(only: str) -> list[Named]:
    return [
        (f"{one.module}: {one.fault}", Trial(one.module, one.source(), (one.test,)), "", {})
        for one in KNOWN
        if only in one.module
    ]


def _sampled(count: int, seed: int, only: str) -> list[Named]:
    # the one part that needs the library
    from tests.mutants.sampling import sample
    from tests.mutants.scopes import MODULES

    return [_named(one) for one in sample([module for module in MODULES if only in module], count, seed)]


def _named(one: Mutant) -> Named:
    from tests.mutants.scopes import narrow_tests

    line, before, after = one.where()
    trial = Trial(one.module, one.source(), narrow_tests(one.module))
    place = {**asdict(one), "before": before, "after": after}
    return f"{one.module}:{line}: {before}  ->  {after}", trial, why_equal(one.module, before, after), place


def _same(report: Path, only: str, *, survivors: bool) -> list[Named]:
    """Faults of a report that still stand in the code; of all or of those alone that survived."""
    from tests.mutants.sampling import Mutant, standing

    found = []
    for one in json.loads(report.read_text(encoding="utf-8"))["each"]:
        if only in one["module"] and (one["verdict"] == "survived" or not survivors):
            drawn = Mutant(one["module"], one["operator"], one["occurrence"])
            found.append(standing(drawn, one["before"], one["after"]))
    gone = found.count(None)
    print(f"{gone} of {len(found)} stand no more", flush=True)
    return [_named(one) for one in found if one is not None]


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
    options.add_argument("--same", type=Path, help="the faults of this report in place of a sample")
    options.add_argument("--again", type=Path, help="of the faults of this report those that survived")
    options.add_argument("--report", type=Path, help="write the tally there as JSON")
    given = options.parse_args()
    load_libraries()
    began = time.perf_counter()
    if given.known:
        named = _known(given.only)
    elif given.same or given.again:
        named = _same(given.same or given.again, given.only, survivors=bool(given.again))
    else:
        named = _sampled(given.sample, given.seed, given.only)
    tried: list[tuple[str, Outcome]] = []
    places = []
    ends = began + 60.0 * given.minutes
    outcomes = attempts([(trial, given.most) for _, trial, _, _ in named], given.workers, ends)
    for (name, _, why, place), found in zip(named, outcomes, strict=True):
        if found.verdict == "not tried":
            continue
        outcome = replace(found, verdict="equal", test=why) if why and found.verdict == "survived" else found
        tried.append((name, outcome))
        places.append(place)
        print(f"{outcome.verdict:8} {outcome.processor_s:5.1f} s  {name}  {outcome.test}", flush=True)
    report = {"asked": len(named), **_report(tried, time.perf_counter() - began)}
    print(json.dumps(report, indent=1))
    if given.report:
        each = [{"fault": n, **asdict(o), **place} for (n, o), place in zip(tried, places, strict=True)]
        given.report.write_text(
            json.dumps({**report, "each": each}, indent=1) + "\n",
            encoding="utf-8",
        )
    sys.exit(1 if given.known and report["survived"] else 0)


if __name__ == "__main__":
    main()
