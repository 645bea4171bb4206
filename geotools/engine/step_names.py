"""Names and summaries of all steps, read without loading any: a list of commands must not wait for the libraries."""

from __future__ import annotations

import ast
from importlib.metadata import entry_points
from pathlib import Path

from geotools.engine.step import BUILT_IN, ENTRY_POINT_GROUP, discover

__all__ = ["step_summaries"]

_STEPS = Path(__file__).parents[1] / "steps"


def step_summaries() -> dict[str, str]:
    """What each step does in a sentence, by name, in the order of :func:`geotools.engine.step.discover`.

    The declarations of the steps of this distribution are read as text. Where other distributions bring steps, all are
    loaded, for only then it is known how those are named.
    """
    if entry_points(group=ENTRY_POINT_GROUP):
        return {name: step.summary for name, step in discover().items()}
    return {name: _declared(_STEPS / name / "step.py") for name in BUILT_IN}


def _declared(module: Path) -> str:
    """The text given as ``summary`` of the ``STEP`` that a module declares."""
    for node in ast.parse(module.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call) and "STEP" in map(_name, node.targets):
            given = {keyword.arg: keyword.value for keyword in node.value.keywords}
            return str(ast.literal_eval(given["summary"]))
    raise LookupError(f"{module} declares no STEP")


def _name(target: ast.expr) -> str:
    return target.id if isinstance(target, ast.Name) else ""
