"""The command `geotools batch`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from geotools.cli.options import PlanOptions, packed
from geotools.cli.screen import Screen
from geotools.plan import cautions

if TYPE_CHECKING:
    from geotools.cli.batch.many import BatchResult
    from geotools.cli.batch.task import SiteResult
    from geotools.engine.workers import Workers

SOME_FAILED = 8


class BatchScreen:
    """What a batch says while it runs and when it ends."""

    def __init__(self, screen: Screen) -> None:
        self.screen = screen
        self.began = time.monotonic()
        self.ran = 0

    def told(self, result: SiteResult, done: int, total: int) -> None:
        """One site is through."""
        # Sites differ, so the time left is a guess from the mean; those that were kept took no time and do not count.
        self.ran += result.state not in ("kept", "left")
        left = (time.monotonic() - self.began) / max(self.ran, 1) * (total - done)
        if self.screen.as_json:
            self.screen.emit(
                "site",
                site=result.name,
                state=result.state,
                seconds=round(result.seconds, 3),
                done=done,
                total=total,
                seconds_left=round(left),
                **({"problem": result.error} if result.error else {}),
            )
            return
        if result.state == "failed":
            text = f"{result.name}: failed: {result.error.get('error', '')}"
            place = result.error.get("where")
            self.screen.warn(f"[{done}/{total}] {text}" + (f" ({place})" if place else ""))
        elif not self.screen.quiet:
            ago = (
                f"about {_minutes(left)} left" if done < total else f"{_minutes(time.monotonic() - self.began)} in all"
            )
            self.screen.say(f"[{done}/{total}] {result.name}: {result.state} in {result.seconds:.1f} s, {ago}")

    def finished(self, result: BatchResult) -> None:
        """The closing count and the paths."""
        states = [site.state for site in result.sites]
        counts = {state: states.count(state) for state in ("done", "kept", "left", "failed")}
        if self.screen.as_json:
            self.screen.emit("finished", **counts, table=result.table, combined=result.combined, page=result.page)
            return
        if self.screen.quiet:
            return
        said = ", ".join(f"{number} {state}" for state, number in counts.items() if number)
        self.screen.say(f"{len(states)} sites: {said}")
        self.screen.say(f"{cautions.DETECTION} {cautions.SENSITIVE}")
        self.screen.say(
            f"Written: {result.table.resolve()}\n         {result.combined.resolve()}\n         {result.page.resolve()}"
        )


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


def make_workers(count: int, scheduler: str | None) -> Workers:
    """Who does the work: a cluster, processes of this machine, or this process."""
    if scheduler is not None:
        from geotools.engine.cluster import ClusterWorkers

        return ClusterWorkers(scheduler)
    from geotools.engine.workers import workers_for

    return workers_for(count)


@click.command()
@click.argument("manifest", type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path), required=True, help="Folder of the batch.")
@click.option("--workers", type=click.IntRange(1, 512), help="Processes on this machine; by default one a core.")
@click.option("--scheduler", metavar="ADDRESS", help="A running Dask scheduler to use instead (extra `cluster`).")
@click.option("--steps", help="Names of steps, separated by commas; by default the whole job.")
@click.option("--resume", is_flag=True, help="Go on with a batch: do only what is not there from the same input.")
@click.option(
    "--only-stale", is_flag=True, help="Of sites that have results, bring those that are stale up to date; begin none."
)
@click.option("--overwrite", is_flag=True, help="Do every site anew, over results that are there.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only failures.")
@packed(PlanOptions)
def batch(
    options: PlanOptions,
    manifest: Path,
    workers: int | None,
    scheduler: str | None,
    steps: str | None,
    resume: bool,
    only_stale: bool,
) -> None:
    """Run the job on many sites, side by side.

    MANIFEST is a folder (every .toml file below it is a site), a TOML file with a [[site]] section for each site (file,
    name), or a CSV table with a column `file` and, optionally, `name`. Each site gets its own plan below DIR/sites; one
    that fails never stops the others. DIR/outcomes.csv says what came of each; DIR/batch.html shows the same with all
    sites on one map and links to their reports; DIR/batch.gpkg holds the layers of all.

    Ends with exit code 8 where a site failed.
    """
    import os

    from geotools.cli.batch.manifest import read_manifest
    from geotools.cli.batch.many import run_batch

    entries = read_manifest(manifest)
    names = [name.strip() for name in steps.split(",") if name.strip()] if steps is not None else None
    count = workers or min(os.cpu_count() or 1, len(entries))
    screen = BatchScreen(options.screen)
    made = make_workers(count, scheduler)
    try:
        result = run_batch(
            entries,
            options.out,
            steps=names,
            overwrite=options.overwrite,
            resume="stale" if only_stale else resume,
            workers=made,
            told=screen.told,
        )
    finally:
        made.close()
    screen.finished(result)
    if result.failed:
        click.get_current_context().exit(SOME_FAILED)
