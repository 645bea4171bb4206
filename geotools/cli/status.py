"""The status command: which results of a job are current, which stale and why, which missing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from geotools.errors import InputError, shown

if TYPE_CHECKING:
    from geotools.engine.freshness import OutputState

_MOST_CAUSES = 4


@click.command()
@click.argument("site_file", metavar="SITE.toml", type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path), required=True, help="Folder of the plan.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--all", "every", is_flag=True, help="List every file of a folder of files.")
@click.pass_context
def status(ctx: click.Context, /, site_file: Path, out: Path, as_json: bool, every: bool) -> None:
    """Say which layers and files are current, stale (and why) or missing, and write nothing."""
    from geotools.engine.freshness import job_states
    from geotools.site import open_site

    ctx.find_root().obj = {"json": as_json}
    site = open_site(site_file)
    if not out.is_dir():
        raise InputError(
            "there is no such folder", where=out, expected="the folder of a plan", mend=f"geotools run {site_file}"
        )
    states = job_states(site, out)
    if as_json:
        for s in states:
            row = {"kind": s.kind, "name": s.name, "step": s.step, "state": s.state, "causes": s.causes}
            click.echo(json.dumps({"event": "status", **row}))
        return
    for line in table(states if every else gathered(states)):
        click.echo(shown(line))
    click.echo(shown(closing(states, f"{site_file} --out {out}")))


def gathered(states: list[OutputState]) -> list[OutputState]:
    """The same with the files of one folder as one line."""
    from geotools.engine.freshness import OutputState

    found: dict[tuple[str, str, str], OutputState] = {}
    for s in states:
        folder = s.name.rpartition("/")[0] if s.kind == "file" else ""
        name = f"{folder}/" if folder else s.name
        found.setdefault((name, s.step, s.state), OutputState(name, s.step, s.kind, s.state, s.causes))
    return list(found.values())


def table(states: list[OutputState]) -> list[str]:
    """A line for each, grouped by the step that makes it; causes stand once, below the step's name."""
    wide = max((len(s.name) for s in states), default=0)
    lines: list[str] = []
    for step in dict.fromkeys(s.step for s in states):
        mine = [s for s in states if s.step == step]
        lines.append(step)
        told: list[str] = []
        for s in mine:
            lines.append(f"  {s.name:<{wide}}  {_WORDS[s.state]}")
            told += [c for c in s.causes if c not in told]
        # what it stands on goes without saying where there are reasons of its own
        told = [c for c in told if not c.startswith("stands on")] or told[:1]
        more = len(told) - _MOST_CAUSES
        if told:
            lines.append(f"    because: {'; '.join(told[:_MOST_CAUSES])}" + (f"; and {more} more" if more > 0 else ""))
    return lines


_WORDS = {
    "current": "current",
    "stale": "STALE",
    "missing": "missing",
    "edited": "edited by hand (input for the rest)",
}


def closing(states: list[OutputState], words: str) -> str:
    """What to do next, in one line."""
    count = {state: sum(s.state == state for s in states) for state in _WORDS}
    figures = ", ".join(f"{n} {'edited by hand' if state == 'edited' else state}" for state, n in count.items() if n)
    next_step = f"\nNext: geotools run {words} --resume" if count["stale"] else ""
    return f"{figures or 'nothing here yet'}{next_step}"
