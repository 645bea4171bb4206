"""Runs every site of a batch and gathers what came of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from geotools.cli.batch.manifest import Entry
from geotools.cli.batch.outcomes import outcome_rows, write_combined, write_table
from geotools.cli.batch.page import write_page
from geotools.cli.batch.task import SiteResult, Task, run_task
from geotools.engine.lock import FolderLock
from geotools.engine.runner import plan_steps
from geotools.engine.workers import Serial, Workers
from geotools.engine.writing import make_folder
from geotools.errors import GeotoolsError, OutputError, StepError

SITES_NAME = "sites"


@dataclass(frozen=True)
class BatchResult:
    """What came of a batch, sites in the manifest's order."""

    sites: list[SiteResult]
    table: Path
    combined: Path
    page: Path

    @property
    def failed(self) -> int:
        """How many sites failed."""
        return sum(site.state == "failed" for site in self.sites)


def run_batch(
    entries: Sequence[Entry],
    out: Path,
    *,
    steps: Sequence[str] | None = None,
    overwrite: bool = False,
    resume: bool | Literal["stale"] = False,
    workers: Workers | None = None,
    told: Callable[[SiteResult, int, int], None] = lambda result, done, total: None,
) -> BatchResult:
    """Run every site of a batch.

    Parameters
    ----------
    entries : the sites, from `read_manifest`.
    out : folder of the batch; ``steps`` : names of steps, None for the whole job.
    overwrite : do every site anew; ``resume`` : do only what is not there from the same input, settings and version, or
        with "stale", of sites that have results, bring those that are stale up to date and begin none.
    workers : who does the sites; None for this process.
    told : called as each site ends, with how many of how many are through.

    Raises OutputError where the folder cannot be written or is in use; nothing for what is wrong with a site.
    """
    plan_steps(steps)  # an unknown step is one mistake, not one a site
    sites = out / SITES_NAME
    if sites.is_dir() and any(sites.iterdir()) and not (overwrite or resume):
        raise OutputError(
            "the output folder holds a batch already",
            where=out,
            mend="add --resume to go on with it, --overwrite to do it anew, or choose another folder",
        )
    make_folder(out, SITES_NAME)
    lock = FolderLock(out)
    try:
        names = tuple(steps) if steps is not None else None
        tasks = [
            Task(e.name, e.site_file, sites / e.folder, names, overwrite, bool(resume), resume == "stale")
            for e in entries
        ]
        results: list[SiteResult | None] = [None] * len(tasks)
        for done, (place, result) in enumerate((workers or Serial()).each(run_task, tasks), start=1):
            ended = _as_asked(tasks[place], result)
            results[place] = ended
            told(ended, done, len(tasks))
        ended_all = [result for result in results if result is not None]
        table, combined = write_table(out, ended_all), write_combined(out, ended_all)
        page = write_page(out, outcome_rows(out, ended_all), combined)
        return BatchResult(ended_all, table, combined, page)
    finally:
        lock.release()


def _as_asked(task: Task, result: object) -> SiteResult:
    """What came of a site, also where its worker died on it or handed back something else."""
    if isinstance(result, GeotoolsError):
        return _lost(task, result)
    if isinstance(result, SiteResult) and (result.name, result.folder) == (task.name, task.out.name):
        return result
    problem = StepError(
        "a worker handed back something else than what came of its site",
        found=result.name if isinstance(result, SiteResult) else type(result).__name__,
        expected=task.name,
        mend="give every worker the same version of geotools, or run without --scheduler",
    )
    return _lost(task, problem)


def _lost(task: Task, problem: GeotoolsError) -> SiteResult:
    """A site whose worker died on it."""
    return SiteResult(task.name, task.out.name, "failed", error=problem.parts(), exit_code=problem.exit_code)
