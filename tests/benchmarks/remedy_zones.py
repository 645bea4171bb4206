"""The comparison of every way to close a zone: seconds of one processor for each zone of a hilly site.

`python -m tests.benchmarks.remedy_zones [FOLDER]`; goal: at most 3 s a zone, on a machine on which the whole run of the
2 km site at commit f9faa3d takes 34 s (`tests.benchmarks.against`; half as fast a machine may take 6 s). Heights of the
zones are known beforehand, as in a run; beams and programmes are not. FOLDER : where the site is kept and looked for.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

from geotools.engine.runner import Job
from geotools.site import open_site
from geotools.steps.remedy import step
from tests.evidence.hilly import HILLY

#: Steps that remedy reads the layers of.
BEFORE = ("inspect", "layout", "gaps", "heights")


def main(folder: str | None = None) -> None:
    """Measure the zones and print a line each, the slowest last."""
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})  # one core, and no second process beside this one
    with tempfile.TemporaryDirectory() as made:
        home = Path(folder or made)
        known = home / "input/site.toml"
        site = open_site(known if known.exists() else HILLY.write(home / "input"))
        took: dict[str, tuple[float, int]] = {}
        compare = step.zone_options

        def measured(perimeter, surface, zone_id, *given, **more):
            began = time.process_time()
            found = compare(perimeter, surface, zone_id, *given, **more)
            # the first time of each zone: what is compared again beside its neighbours' works is known in part
            took.setdefault(zone_id, (time.process_time() - began, len(found[0])))
            return found

        step.zone_options = measured
        try:
            with Job(site, home / "out", overwrite=True) as job:
                for name in () if (home / "out/plan.gpkg").exists() else BEFORE:
                    job.run(name)
                job.run("remedy")
        finally:
            step.zone_options = compare
    for zone_id, (seconds, options) in sorted(took.items(), key=lambda item: item[1]):
        print(f"{zone_id}: {seconds:.2f} s, {options} options")
    print(f"{len(took)} zones, the slowest {max(seconds for seconds, _ in took.values()):.2f} s (goal 3 s)")


if __name__ == "__main__":
    main(*sys.argv[1:])
