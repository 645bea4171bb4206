"""What was done: rows that people filled in, in the plan's layer or in the table beside it, kept from run to run."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import geopandas as gpd
import pandas as pd

from geotools.engine.step import StepContext
from geotools.errors import OutputError
from geotools.io.tables import csv_rows, day_of
from geotools.plan.filled import filled_in
from geotools.plan.schema import UPKEEP
from geotools.steps.upkeep.kernel import Visit

__all__ = ["TABLE", "say_record", "visit_id", "with_record"]

TABLE = "upkeep.csv"


def visit_id(visit: Visit) -> str:
    """Key of a visit: the day it is due, task, place."""
    return f"{visit.day.isoformat()} {visit.task} {visit.place}"


@dataclass(frozen=True)
class _Turn:
    """A task that was filled in: the day it was due, what, where; day and person once it is done."""

    due: date
    task: str
    place: str
    done_on: date
    done_by: str | None

    @property
    def visit_id(self) -> str:
        return f"{self.due.isoformat()} {self.task} {self.place}"


def _table_done(ctx: StepContext) -> list[_Turn]:
    """Rows that were filled in in the table beside the plan."""
    path = ctx.workspace.folder / TABLE
    if not path.is_file():
        return []
    found = []
    # some hundreds of rows a zone: the table of a long border is longer than any form that somebody fills in
    for number, row in enumerate(csv_rows(path, ["due", "task", "place", "done_on"]), start=2):
        where = f"{path}, row {number}"
        day, due = day_of(row["done_on"], where), day_of(row["due"], where)
        if day is not None and due is not None:
            found.append(_Turn(due, row["task"], row["place"], day, row.get("done_by") or None))
    return found


def _same_turns(made: gpd.GeoDataFrame, filled: Iterable[tuple[date, str, str]]) -> dict[str, str]:
    """Keys of rows that were filled in, by their day, task and place, and of the rows that are the same turn now.

    A plan that starts on another day moves its turns: the same turn is the nearest of that task and place, less than
    half the distance between two turns away.
    """
    days: dict[tuple[str, str], list[pd.Timestamp]] = {}
    for row in made.itertuples():
        days.setdefault((str(row.task), str(row.place)), []).append(pd.Timestamp(row.due))
    known, taken, found = set(made["visit_id"]), set[str](), {}
    for due, task, place in filled:
        key, turns = f"{due.isoformat()} {task} {place}", sorted(days.get((task, place), ()))
        if key in known or len(turns) < 2:
            continue
        apart = min(after - before for before, after in itertools.pairwise(turns))
        nearest = min(turns, key=lambda turn: abs(turn - pd.Timestamp(due)))
        now = f"{nearest.date().isoformat()} {task} {place}"
        if 2 * abs(nearest - pd.Timestamp(due)) < apart and now not in taken:
            found[key] = now
            taken.add(now)
    return found


def with_record(ctx: StepContext, made: gpd.GeoDataFrame, as_of: date | None) -> gpd.GeoDataFrame:
    """The rows with what was filled in before, in the plan's layer or in the table beside it, and their status.

    OutputError where rows of the table that were filled in would be lost.
    """
    turns = _table_done(ctx)
    moved = _same_turns(made, ((t.due, t.task, t.place) for t in turns))
    table = {moved.get(t.visit_id, t.visit_id): (t.done_on, t.done_by) for t in turns}
    if ctx.workspace.has(UPKEEP):
        held = ctx.read(UPKEEP)
        done = held[held["done_on"].notna()]
        named = ((pd.Timestamp(row.due).date(), str(row.task), str(row.place)) for row in done.itertuples())
        held["visit_id"] = held["visit_id"].replace(_same_turns(made, named))
        # a turn that moved leaves no second row under the day it was due
        made = filled_in(made, held[~held["visit_id"].duplicated(keep=False) | held["done_on"].notna()], UPKEEP)
    still_open = set(made.loc[made["done_on"].isna(), "visit_id"])
    new = [name for name in table if name in still_open]
    lost = sorted(set(table) - set(made["visit_id"]))
    if new:
        ctx.say(f"took {len(new)} filled rows over from {TABLE}")
        days = pd.to_datetime(made["visit_id"].map({name: table[name][0] for name in new}))
        people = made["visit_id"].map({name: table[name][1] for name in new})
        made["done_on"] = pd.to_datetime(made["done_on"]).where(days.isna(), days)
        made["done_by"] = made["done_by"].where(people.isna(), people)
    if lost:
        raise OutputError(
            "rows that were filled in would be lost",
            where=ctx.workspace.folder / TABLE,
            found=f"{len(lost)} rows for tasks that the plan does not have, the first {lost[0]}",
            mend="keep the start of the plan (upkeep.start in the site file) and its state (--state) as they were, or "
            "put the file aside",
        )
    made["status"] = "due"
    if as_of is not None:
        made.loc[pd.to_datetime(made["due"]) < pd.Timestamp(as_of), "status"] = "overdue"
    made.loc[made["done_on"].notna(), "status"] = "done"
    return made


def say_record(ctx: StepContext, frame: gpd.GeoDataFrame, as_of: date | None) -> None:
    """Say what is done and what is overdue."""
    counts = frame["status"].value_counts()
    if counts.get("done", 0):
        ctx.say(f"{counts['done']} tasks on record as done")
    if as_of is None:
        ctx.say("nothing is called overdue without a day: give --as-of")
    elif counts.get("overdue", 0):
        ctx.warn(f"{counts['overdue']} tasks were due before {as_of.isoformat()} and are not on record as done")
