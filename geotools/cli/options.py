"""Options that several commands share, and the values they come as."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import click

from geotools.cli.screen import Screen

__all__ = ["PlanOptions", "WriteOptions", "output_options", "packed"]


@dataclass(frozen=True, kw_only=True)
class WriteOptions:
    """How a command that writes behaves.

    Attributes
    ----------
    overwrite : bool
        Whether what is there already may be replaced.
    dry_run : bool
        Whether to say what would be done and write nothing.
    as_json : bool
        Whether to print one JSON object a line instead of text.
    quiet : bool
        Whether to print warnings and errors alone.
    """

    overwrite: bool = False
    dry_run: bool = False
    as_json: bool = False
    quiet: bool = False

    @property
    def screen(self) -> Screen:
        """The screen that these options ask for."""
        return Screen(self.as_json, self.quiet)


@dataclass(frozen=True, kw_only=True)
class PlanOptions(WriteOptions):
    """How a command that writes a plan behaves.

    Attributes
    ----------
    out : Path
        Folder of the plan.
    """

    out: Path


def packed(kind: type[WriteOptions]) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Hand a command its shared options as one value, before all others; stands next to the function.

    Parameters
    ----------
    kind : type of WriteOptions
        Which options: those named like its fields.
    """
    names = {field.name for field in fields(kind)}

    def around(command: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(command)
        def called(*args: Any, **given: Any) -> Any:
            options = kind(**{name: given.pop(name) for name in names & given.keys()})
            click.get_current_context().find_root().obj = {"json": options.as_json}
            return command(options, *args, **given)

        return called

    return around


def output_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options every command that writes a plan has, handed over as :class:`PlanOptions`."""
    made = packed(PlanOptions)(command)
    for option in reversed(
        (
            click.option(
                "--out",
                "-o",
                type=click.Path(path_type=Path),
                required=True,
                help="Folder of the plan; made where there is none.",
            ),
            click.option("--overwrite", is_flag=True, help="Replace results that are there already."),
            click.option(
                "--dry-run", is_flag=True, help="Check input and parameters and say what would be done; write nothing."
            ),
            click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text."),
            click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors."),
        )
    ):
        made = option(made)
    return made
