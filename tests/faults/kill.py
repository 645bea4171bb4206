"""Runs are killed: no half file, no lost result, and the next run goes on as if nothing had been."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import geotools
from tests.faults.site import STEPS, TEMPORARY, digest, faults_of, make_site, run_steps
from tests.faults.victim import count_down


@dataclass
class Tally:
    """What the kills met."""

    kills: int = 0
    during_commit: int = 0
    left_scratch: int = 0
    faults: list[str] = field(default_factory=list)


#: Steps with the site they are run on, one after the other: together they leave every plan there is, for a layout also
#: says on which heads and zones it found itself.
_WALK = (
    *(("inspect", 1), ("layout", 1), ("layout", 1), ("inspect", 0), ("layout", 0)),
    *(("inspect", 1), ("layout", 0), ("inspect", 0), ("layout", 1), ("inspect", 1)),
)


class Ground:
    """Two sites that differ in their settings, and every plan that finished steps of theirs can leave."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.sites = make_site(root / "a", "First yard"), make_site(root / "b", "Second yard")
        self.begin = root / "begin"
        run_steps(self.sites[0], self.begin)
        self.known, self.ends = [digest(self.begin / "plan.gpkg")], []
        shutil.copytree(self.begin, out := root / "known")
        last = dict.fromkeys(STEPS, 0)
        for step, number in _WALK:
            geotools.run_step(step, geotools.open_site(self.sites[number]), out, overwrite=True)
            last[step] = number
            self.known.append(digest(out / "plan.gpkg"))
            if set(last.values()) == {1}:
                self.ends.append(self.known[-1])

    @classmethod
    def at(cls, root: Path | Ground) -> Ground:
        """One in a folder, or the one that is there already."""
        return root if isinstance(root, Ground) else cls(root)

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
        if digest(out / "plan.gpkg") not in self.ends:
            tally.faults.append(f"{when}: the next run gives another plan")
        left = [p.name for p in out.iterdir() if p.name.startswith(TEMPORARY) or p.name.endswith(".tmp")]
        if left:
            tally.faults.append(f"{when}: left behind after the next run: {left}")


def _begin(work: Callable[[], None]) -> int:
    """A process that does the work and ends with 0; begun as a copy of this one, everything loaded. Its number."""
    child = os.fork()
    if child == 0:
        try:
            work()
            os._exit(0)
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(1)
    return child


def _work_until_killed(ground: Ground, out: Path) -> int:
    """A process that runs the steps over and over. Its number."""

    def work() -> None:
        while True:
            for site in ground.sites:
                run_steps(site, out)

    return _begin(work)


def _die_at_change(ground: Ground, out: Path, change: int) -> int:
    """A process that runs the steps once and kills itself before that change of the folder. How it ended."""

    def work() -> None:
        count_down(change)
        run_steps(ground.sites[1], out)

    return os.waitstatus_to_exitcode(os.waitpid(_begin(work), 0)[1])


def kill_at_random(root: Path | Ground, kills: int, seed: int = 1) -> Tally:
    """SIGKILL at random moments of runs that follow each other on one folder."""
    ground, rng, tally = Ground.at(root), random.Random(seed), Tally()
    out = ground.fresh()
    began = time.perf_counter()
    run_steps(ground.sites[1], out)
    length = time.perf_counter() - began
    for number in range(kills):
        child = _work_until_killed(ground, out)
        wait = rng.uniform(0.0, 1.5 * length)
        time.sleep(wait)
        os.kill(child, signal.SIGKILL)
        when = f"kill {number} after {wait:.3f} s"
        if not os.WIFSIGNALED(os.waitpid(child, 0)[1]):
            tally.faults.append(f"{when}: the run had ended by itself")
        ground.look(out, tally, when)
        if number % 10 == 9:
            ground.go_on(out, tally, when)
    return tally


def kill_at_every_change(root: Path | Ground, every: int = 1) -> Tally:
    """SIGKILL just before every single renaming, removing and syncing that a run does."""
    ground, tally = Ground.at(root), Tally()
    change = 0
    while True:
        out = ground.fresh()
        ended = _die_at_change(ground, out, change)
        if ended == 0:
            return tally
        if ended != -signal.SIGKILL:
            tally.faults.append(f"before change {change}: the run ended by itself with {ended}")
        ground.look(out, tally, f"before change {change}")
        ground.go_on(out, tally, f"before change {change}")
        change += every
