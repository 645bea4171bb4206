"""The type stub of the package, made from the declarations of its own steps and layers: what an editor shows.

``python -m geotools.engine.stub`` writes it anew; a test keeps it equal to the declarations.
"""

from __future__ import annotations

import inspect
from pathlib import Path
from textwrap import indent, wrap

from geotools.engine.docstrings import docstring, function_name, raster_name
from geotools.engine.step import BUILT_IN, Param, Step, get_step
from geotools.plan.schema import LAYERS

__all__ = ["STUB", "stub_text"]

STUB = Path(__file__).parents[1] / "__init__.pyi"

_HEAD = '''\
"""Types of the public API. Made by `python -m geotools.engine.stub` from the declarations: do not edit."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from geopandas import GeoDataFrame
from pandas import DataFrame

from geotools.earthwork.proposed_state import ProposedState
from geotools.engine.result import Plan as _Plan
from geotools.engine.runner import Outcome
from geotools.engine.step import Step
from geotools.errors import GeotoolsWarning as GeotoolsWarning
from geotools.io.raster import Raster as Raster
from geotools.site import Site as Site

__version__: str

class Plan(_Plan):
    """A plan in memory: every layer made so far as a frame, every raster as an array."""

'''
_TAIL = '''\
def apply(site: Site, plan: _Plan) -> ProposedState:
    """Make the state that `geotools.remedy` recommends a site of its own, on which every step runs."""

def open_plan(folder: Path | str) -> Plan:
    """Read a plan that was written into a folder."""

def open_site(path: Path | str) -> Site:
    """Read and validate a site file; InputError or SiteError name what is wrong."""

def steps() -> dict[str, Step]:
    """Every step by name, built-in ones first."""

def run(site: Site, out: Path | str, *, overwrite: bool = False) -> list[Outcome]:
    """Run the whole job on a site and write its plan into the folder ``out``."""

def run_step(name: str, site: Site, out: Path | str, *, overwrite: bool = False, **params: Any) -> Outcome:
    """Run one step on the plan in ``out``; ``params`` are the step's own, as its manual lists them."""

def __getattr__(name: str) -> Callable[..., Plan]:
    """The function of a step that another distribution brings."""
'''
_TYPES = {"real": "float", "integer": "int", "text": "str", "flag": "bool", "path": "Path | str"}


def _annotation(param: Param) -> str:
    if param.kind == "choice":
        words = "Literal[" + ", ".join(f'"{choice}"' for choice in param.choices) + "]"
    else:
        words = _TYPES[param.kind]
    return words if param.required or param.default is not None else f"{words} | None"


def _value(default: object) -> str:
    return f'"{default}"' if isinstance(default, str) else repr(default)


def _function(step: Step) -> str:
    lines = ["    site: Site,", "    plan: _Plan | None = None,"]
    if step.params:
        lines.append("    *,")
    for param in step.params:
        default = "" if param.required else f" = {_value(param.default)}"
        lines.append(f"    {param.name}: {_annotation(param)}{default},")
    text = docstring(step)
    words = text[: text.index("\nReturns\n")].rstrip()
    return "\n".join([f"def {function_name(step)}(", *lines, ") -> Plan:", indent(f'"""{words}\n"""', "    "), ""])


def _attribute(name: str, kind: str, words: str) -> list[str]:
    body = "\n".join(wrap(words, 110, break_long_words=False))
    return [f"    {name}: {kind}", indent(f'"""{body}"""', "    ")]


def stub_text() -> str:
    """The stub of what this distribution holds, whatever else is installed."""
    lines: list[str] = []
    for schema in LAYERS.values():
        lines += _attribute(schema.name, "DataFrame" if schema.geometry is None else "GeoDataFrame", schema.description)
    for step in map(get_step, BUILT_IN):
        for file in step.files:
            if file.kind == "raster" and raster_name(file) not in LAYERS:
                lines += _attribute(raster_name(file), "Raster", inspect.cleandoc(file.help))
    functions = [_function(get_step(name)) for name in BUILT_IN]
    return _HEAD + "\n".join(lines) + "\n\n" + "\n".join(functions) + "\n" + _TAIL


if __name__ == "__main__":
    STUB.write_text(stub_text(), encoding="utf-8")
