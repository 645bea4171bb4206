"""Signature and docstring of a step's Python function, made from its declaration (numpydoc's sections)."""

from __future__ import annotations

import inspect
import keyword
from pathlib import Path
from textwrap import wrap
from typing import Any, Literal

from geotools.engine.result import Plan
from geotools.engine.step import FileOut, Param, Step
from geotools.plan.schema import LayerSchema
from geotools.site import Site

__all__ = ["docstring", "example", "function_name", "param_type", "returned", "signature"]

WIDTH = 100
_TYPES: dict[str, Any] = {"real": float, "integer": int, "text": str, "flag": bool}
_WORDS = {"real": "float", "integer": "int", "text": "str", "flag": "bool", "path": "path"}
_RAISES = (
    ("InputError", "The site's files, or a frame that was handed in, cannot be used."),
    ("SiteError", "A parameter is out of its range, or a setting of the site does not allow the step."),
    ("StepError", "The step cannot run on this plan; the message says what is missing."),
)


def function_name(step: Step) -> str:
    """The step's name as a Python name."""
    name = step.name.replace("-", "_")
    return f"{name}_" if keyword.iskeyword(name) else name


def param_annotation(param: Param) -> Any:
    """The type a parameter takes."""
    kind: Any
    if param.kind == "choice":
        kind = Literal[param.choices]
    elif param.kind == "path":
        kind = Path | str
    else:
        kind = _TYPES[param.kind]
    return kind if param.required or param.default is not None else kind | None


def signature(step: Step) -> inspect.Signature:
    """The call ``geotools.NAME(site, plan, *, ...)`` with the step's own parameters by name."""
    either = inspect.Parameter.POSITIONAL_OR_KEYWORD
    none = inspect.Parameter.empty
    own = [
        inspect.Parameter(
            p.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=none if p.required else p.default,
            annotation=param_annotation(p),
        )
        for p in step.params
    ]
    return inspect.Signature(
        [
            inspect.Parameter("site", either, annotation=Site),
            inspect.Parameter("plan", either, default=None, annotation=Plan | None),
            *own,
        ],
        return_annotation=Plan,
    )


def param_type(param: Param) -> str:
    """Type, unit, range and default of a parameter in numpydoc's manner."""
    if param.kind == "choice":
        words = "{" + ", ".join(repr(c) for c in param.choices) + "}"
    else:
        words = _WORDS[param.kind]
        limits = param.range_text()
        words += f", {limits}" if limits else ""
    if param.required:
        return words
    return f"{words}, optional" if param.default is None else f"{words}, default {param.default!r}"


def _sentence(text: str, *, as_it_is: bool = False) -> str:
    text = text.strip()
    first = text[:1] if as_it_is else text[:1].upper()
    return first + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


def _block(text: str, indent: int = 4) -> list[str]:
    space = " " * indent
    return wrap(
        text, WIDTH, initial_indent=space, subsequent_indent=space, break_long_words=False, break_on_hyphens=False
    )


def _item(head: str, text: str) -> list[str]:
    return [head, *_block(_sentence(text))]


def _section(title: str, lines: list[str]) -> list[str]:
    return ["", title, "-" * len(title), *lines] if lines else []


def _parameters(step: Step) -> list[str]:
    lines = _item("site : Site", "fence, terrain and settings")
    reads = ", ".join(f"``{i.schema.name}``" + ("" if i.required else " (if it is there)") for i in step.inputs)
    text = f"Read from it: {reads}. " if reads else ""
    lines += _item(
        "plan : Plan, optional",
        f"what another function gave back; edits of its frames count. {text}Required layers that are missing are made "
        "first, with defaults",
    )
    for param in step.params:
        # the words of a choice begin with one of its values
        words = _sentence(param.help, as_it_is=param.kind == "choice")
        lines += [f"{param.name} : {param_type(param)}", *_block(words)]
    return lines


def layer_type(schema: LayerSchema) -> str:
    """What a layer is in Python."""
    return "pandas.DataFrame" if schema.geometry is None else f"geopandas.GeoDataFrame of {schema.geometry}"


def raster_name(file: FileOut) -> str:
    """Where a raster is found in a plan."""
    return Path(file.name).stem


def _layer(schema: LayerSchema) -> list[str]:
    lines = _item(f"{schema.name} : {layer_type(schema)}", schema.description)
    lines.append("")
    for field in schema:
        unit = f" [{field.unit}]" if field.unit not in ("", "1") else ""
        choices = ": " + ", ".join(field.choices) if field.choices else ""
        text = f"{field.name} : {field.type}{unit}, {field.help}{choices}"
        lines += wrap(
            f"- {text}",
            WIDTH,
            initial_indent="    ",
            subsequent_indent="      ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return [*lines, ""]


def returned(step: Step) -> list[tuple[str, str, str]]:
    """Everything the step adds to the plan: name, type, meaning."""
    rows = [(out.schema.name, layer_type(out.schema), out.schema.description) for out in step.outputs]
    for file in step.files:
        if file.kind == "raster":
            rows.append((raster_name(file), "Raster", file.help))
        else:
            rows.append((f'files["{file.name}"]', f"path of a {file.kind}", file.help))
    return rows


def _returns(step: Step) -> list[str]:
    what = "those it was given with what this step makes" if step.inputs else "what this step makes"
    lines = [*_item("Plan", f"a new plan: {what}"), ""]
    for out in step.outputs:
        lines += _layer(out.schema)
    for name, kind, text in returned(step)[len(step.outputs) :]:
        lines += _item(f"{name} : {kind}", text)
    while lines and not lines[-1]:
        lines.pop()
    return lines


def _raises() -> list[str]:
    return [line for name, text in _RAISES for line in _item(name, text)]


def _notes(step: Step) -> list[str]:
    lines: list[str] = []
    for caution in step.cautions:
        lines += [*_block(_sentence(caution), 0), ""]
    if step.citations:
        lines += ["Sources:", ""]
        for source in step.citations:
            lines += wrap(f"- {source}", WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    while lines and not lines[-1]:
        lines.pop()
    return lines


def example(step: Step) -> str:
    """A call, and what it answers by its declaration; a file that has to be named is called ``NAME.tif``."""
    needed = "".join(f', {p.name}="{p.name}.tif"' for p in step.params if p.required)
    made = tuple(out.schema.name for out in step.outputs)
    return f">>> plan = geotools.{function_name(step)}(site, plan{needed})\n>>> plan.made\n{made!r}"


def docstring(step: Step) -> str:
    """The whole docstring: summary, Parameters, Returns with every field, Raises, Notes with sources, Examples."""
    return "\n".join(
        [
            step.summary,
            *_section("Parameters", _parameters(step)),
            *_section("Returns", _returns(step)),
            *_section("Warns", _item("GeotoolsWarning", "what weakens the answer; also in ``plan.warnings``")),
            *_section("Raises", _raises()),
            *_section("Notes", _notes(step)),
            *_section("Examples", example(step).splitlines()),
            "",
        ]
    )
