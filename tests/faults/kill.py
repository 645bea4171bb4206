"""Runs are killed: no half file, no lost result, and the next run goes on as if nothing had been."""

from __future__ import annotations

import random
import shutil
import time
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

import geotools
from tests.faults.site import STEPS, TEMPORARY, digest, faults_of, make_site, run_steps, start


@dataclass
class Tally:
    """What the kills met."""

    kills: int = 0
    during_commit: int = 0
    left_scratch: int = 0
    faults: list[str] = field(default_factory=list)


class Ground:
    """Two sites that differ in their settings, and every plan that finished steps of theirs can leave."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.sites = make_site(root / "a", "First yard"), make_site(root / "b", "Second yard")
        self.begin = root / "begin"
        run_steps(self.sites[0], self.begin)
        self.known = []
        for choice in product(self.sites, repeat=len(STEPS)):
            out = root / "known"
            for step, site in zip(STEPS, choice, strict=True):
                geotools.run_step(step, geotools.open_site(site), out, overwrite=True)
            self.known.append(digest(out / "plan.gpkg"))
        self.end = digest(root / "known" / "plan.gpkg")

    def fresh(self) -> Path:
        out = self.root / "out"
        shutil.rmtree(out, ignore_errors=True)
        shutil.copytree(self.begin, out)
        return out

    def look(self, out: Path, tally: Tally, when: str) -> None:
        """After a kill."""
        tally.kills += 1
        tally.during_commit += (out / ".commit").exists()
        tally.left_scratch += any(out.glob(".scratch-*"))
        tally.faults += [f"{when}: {fault}" for fault in faults_of(out, self.known)]

    def go_on(self, out: Path, tally: Tally, when: str) -> None:
        """The next run must succeed, give what an undisturbed one gives, and leave nothing lying about."""
        try:
            run_steps(self.sites[1], out)
        except geotools.errors.GeotoolsError as problem:
            tally.faults.append(f"{when}: the next run fails: {problem}")
            return
        if digest(out / "plan.gpkg") != self.end:
            tally.faults.append(f"{when}: the next run gives another plan")
        left = [p.name for p in out.iterdir() if p.name.startswith(TEMPORARY) or p.name.endswith(".tmp")]
        if left:
            tally.faults.append(f"{when}: left behind after the next run: {left}")


def kill_at_random(root: Path, kills: int, seed: int = 1) -> Tally:
    """SIGKILL at random moments of runs that follow each other on one folder."""
    ground, rng, tally = Ground(root), random.Random(seed), Tally()
    out = ground.fresh()
    for number in range(kills):
        process = start("tests.faults.victim", *map(str, (*ground.sites, out)))
        assert process.stdout is not None
        if process.stdout.readline().strip() != "ready":
            raise RuntimeError(process.communicate()[0])
        wait = rng.uniform(0.0, 1.0)
        time.sleep(wait)
        process.kill()
        words = process.communicate()[0]
        if words:
            tally.faults.append(f"kill {number}: the run said {words[-300:]}")
        ground.look(out, tally, f"kill {number} after {wait:.3f} s")
        if number % 10 == 9:
            ground.go_on(out, tally, f"kill {number} after {wait:.3f} s")
    return tally


def kill_at_every_change(root: Path, every: int = 1) -> Tally:
    """SIGKILL just before every single renaming, removing and syncing that a run does."""
    ground, tally = Ground(root), Tally()
    change = 0
    while True:
        out = ground.fresh()
        process = start("tests.faults.victim", *map(str, (*ground.sites, out)), str(change))
        words = process.communicate()[0]
        if "done" in words:
            return tally
        ground.look(out, tally, f"before change {change}")
        ground.go_on(out, tally, f"before change {change}")
        change += every
