"""What the command line shows: progress with time left, notes, the closing table; as text or as JSON lines."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.measure import Measurement
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from geotools.engine.step import Step
from geotools.errors import shown
from geotools.plan import cautions

if TYPE_CHECKING:
    from geotools.engine.runner import Job, Outcome
    from geotools.site.sources import Sources

#: A table longer than this is cut on the screen; the summary file has all of it.
MOST_ROWS = 60
#: No table is wider than this, in characters.
MOST_COLUMNS = 10_000
#: A column of sentences is not made narrower than this.
LEAST_COLUMN = 24


class Screen:
    """Where a command's words go.

    Parameters
    ----------
    as_json : one JSON object a line on standard output, nothing else.
    quiet : warnings and errors alone.
    """

    def __init__(self, as_json: bool = False, quiet: bool = False) -> None:
        self.as_json = as_json
        self.quiet = quiet
        self.out = Console(highlight=False, soft_wrap=True)
        self.err = Console(stderr=True, highlight=False, soft_wrap=True)
        self._bar: Progress | None = None
        self._task: Any = None
        self._last = -1

    def say(self, text: str) -> None:
        """A line for whoever looks on; nothing that stands in it is markup, or steers the terminal."""
        self.out.print(shown(text), markup=False)

    def warn(self, text: str) -> None:
        """The same where warnings and errors go."""
        self.err.print(shown(text), markup=False)

    def emit(self, event: str, **data: Any) -> None:
        """One JSON line."""
        print(json.dumps({"event": event, **data}, default=str), flush=True)

    def progress(self, done: int, total: int, what: str = "") -> None:
        """How far the running step is."""
        if self.as_json:
            percent = int(100 * done / total) if total else 0
            if percent != self._last:
                self._last = percent
                self.emit("progress", percent=percent, what=what)
        elif self._bar is not None:
            self._bar.update(self._task, completed=done, total=total, what=what)

    @contextmanager
    def step(self, step: Step) -> Iterator[None]:
        """Show a step at work."""
        self._last = -1
        if self.as_json:
            self.emit("step", step=step.name, state="started")
        if self.as_json or self.quiet or not self.err.is_terminal:
            yield
            return
        columns = (
            SpinnerColumn(),
            TextColumn(f"{step.title}"),
            BarColumn(),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            TextColumn("{task.fields[what]}"),
        )
        with Progress(*columns, console=self.err, transient=True) as bar:
            self._bar, self._task = bar, bar.add_task(step.name, total=None, what="")
            try:
                yield
            finally:
                self._bar = None

    def outcome(self, outcome: Outcome) -> None:
        """What a step said and wrote."""
        if self.as_json:
            self.emit(
                "step",
                step=outcome.step,
                state="done",
                seconds=round(outcome.seconds, 3),
                layers=outcome.layers,
                files=outcome.files,
                summary=outcome.summary,
                notes=outcome.notes,
                warnings=outcome.warnings,
            )
            return
        if not self.quiet:
            self.say(f"{outcome.step}: done in {outcome.seconds:.1f} s")
            for text in outcome.notes:
                self.say(f"  {text}")
        for text in outcome.warnings:
            self.warn(f"  warning: {text}")

    def would_run(self, step: Step, params: dict[str, Any], sources: Sources) -> None:
        """What a dry run says of a step."""
        writes = [o.schema.name for o in step.outputs] + [f.name for f in step.files]
        if self.as_json:
            self.emit("dry-run", step=step.name, params=params, writes=writes, plan_crs=sources.plan_crs.name)
            return
        self.say(f"{step.name}: would write {', '.join(writes) or 'nothing'}")

    def _table(self, title: str, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
        """A table; where the screen is too narrow for it, a few lines for each row, which lose nothing."""
        # as Text: what stands in brackets in a name is no markup
        made = Table(title=Text(shown(title)), title_justify="left")
        for number, heading in enumerate(columns):
            made.add_column(Text(shown(str(heading))), justify="left" if number == 0 else "right")
        for row in rows:
            made.add_row(*(Text(shown(str(cell))) for cell in row))
        wide = self.out.options.update(max_width=MOST_COLUMNS)
        needed = Measurement.get(self.out, wide, made).maximum
        if needed - _spare(columns, rows) <= self.out.width:
            self.out.print(made)
            return
        self.say(title)
        for first, *others in rows:
            self.say(f"{columns[0]} {first}")
            for heading, cell in zip(columns[1:], others, strict=True):
                self.say(f"  {heading}: {cell}")

    def finished(self, job: Job) -> None:
        """The closing tables of the steps that made one, and the path of what was written."""
        first = [o.summary["table"] for o in job.outcomes if "table" in o.summary]
        tables = [part for table in first for part in (table, *table.get("more", ()))]
        if self.as_json:
            self.emit("finished", plan=job.workspace.plan, tables=tables)
            return
        if self.quiet:
            return
        # a heading over nothing says less than the step's own "0 dead spots"
        for table in (one for one in tables if one["rows"]):
            self._table(f"{job.site.name}: {table['title']}", table["columns"], table["rows"][:MOST_ROWS])
            left_out = len(table["rows"]) - MOST_ROWS
            if left_out > 0:
                self.say(f"{left_out} more rows in summary.json")
        rested_on = dict.fromkeys(text for o in job.outcomes for text in o.summary.get("placeholders", ()))
        if rested_on:
            self.say("Resting on placeholders; set your own in the site file:")
        for text in rested_on:
            self.say(f"  {text}")
        self.say(f"{cautions.DETECTION} {cautions.SENSITIVE}")
        self.say(f"Written: {job.workspace.plan.resolve()}")


def _spare(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> int:
    """Characters that the columns of a table can give up by breaking headings and sentences between words."""
    spare = 0
    for heading, *cells in zip(columns, *rows, strict=True):
        texts = [shown(str(text)) for text in (heading, *cells)]
        longest_word = max(len(word) for text in texts for word in text.split() or [""])
        widest_cell = max((len(text) for text in texts[1:]), default=0)
        spare += max(max(map(len, texts)) - max(longest_word, min(LEAST_COLUMN, widest_cell)), 0)
    return spare
