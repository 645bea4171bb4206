"""Manual pages made from the declarations, as Markdown: steps, layers, site file, command line."""

from __future__ import annotations

import re
from collections.abc import Iterable

import click

from geotools.cli.batch.command import SOME_FAILED
from geotools.cli.catalogue_page import CATALOGUES_OF, catalogue_tables
from geotools.cli.ending import ANSWER_IS_NO
from geotools.cli.markdown import cell, table
from geotools.cli.python_page import python_call, python_page
from geotools.cli.sharing_page import sharing_page
from geotools.engine.docstrings import function_name
from geotools.engine.step import Param, Step, discover
from geotools.errors import GeotoolsError
from geotools.plan.schema import LAYERS, LayerSchema
from geotools.site import Site
from geotools.site.base import SiteSection
from geotools.site.template import Setting, repeated, section_settings, subsections

__all__ = ["command_page", "files_page", "layers_page", "pages", "site_page", "step_page", "steps_page"]


def _option(param: Param) -> str:
    flag = "--" + param.name.replace("_", "-")
    return f"`{flag}` / `--no-{flag[2:]}`" if param.kind == "flag" else f"`{flag}`"


def _params(step: Step) -> str:
    rows = []
    for p in step.params:
        default = "" if p.default is None else f"`{p.default}`"
        limits = ", ".join(f"`{c}`" for c in p.choices) if p.kind == "choice" else cell(p.range_text())
        rows.append((_option(p), f"`{p.name}`", p.kind, default, limits, cell(p.help)))
    return table(("option", "in Python", "kind", "default", "range", "meaning"), rows)


def _layer_link(schema: LayerSchema, intent: str) -> str:
    link = f"[{schema.name}](../layers.md#{schema.name})" if schema.name in LAYERS else f"`{schema.name}`"
    return f"- {link}: {intent}"


def _manual_body(step: Step) -> str:
    """The manual beside the step without its title, one heading level down."""
    text = re.sub(r"\A# .*\n+", "", step.manual())
    return re.sub(r"^#", "##", text, flags=re.M)


def step_page(step: Step) -> str:
    """The page of one step."""
    out = [f"# {step.title}", step.summary, "", "```bash", f"geotools {step.name} SITE.toml --out DIR", "```", ""]
    body = _manual_body(step)
    if body:
        out += [body, ""]
    shared = "[every command that writes a plan](../command-line.md)"
    out += ["## Parameters", f"Besides the options that {shared} has:" if step.params else "None of its own.", ""]
    out += [_params(step) if step.params else "", ""]
    out.append(f"[In Python](../../python.md#{function_name(step)}): `{python_call(step)}`")
    if step.inputs:
        out += ["", "## Reads", ""]
        out += [
            _layer_link(i.schema, cell(i.intent) + ("" if i.required else " (if it is there)")) for i in step.inputs
        ]
    out += ["", "## Writes", ""]
    out += [_layer_link(o.schema, cell(o.schema.description)) for o in step.outputs]
    out += [f"- `{f.name}`: {cell(f.help)}" for f in step.files] or ([] if step.outputs else ["Nothing."])
    if shown := CATALOGUES_OF.get(step.name):
        out += ["", "## Catalogue", _CATALOGUE, "", catalogue_tables(shown)]
    if step.cautions:
        out += ["", "## Cautions", "", *[f"- {cell(c)}" for c in step.cautions]]
    if step.citations:
        out += ["", "## Sources", "", *[f"- {cell(c)}" for c in step.citations]]
    return "\n".join(out) + "\n"


_CATALOGUE = (
    "What counts where the site file gives nothing of its own. Figures marked placeholder are round and stand for no "
    "equipment: enter those of the equipment at hand in the [site file](../site-file.md)."
)


def steps_page() -> str:
    """The list of all steps."""
    rows = [
        (f"[{s.name}]({s.name}.md)", cell(s.summary), str(s.order) if s.order else "not in `run`")
        for s in discover().values()
    ]
    return "# Steps\n\nIn the order of the job.\n\n" + table(("step", "what it answers", "order"), rows)


def layers_page() -> str:
    """Every layer with its fields."""
    out = [
        "# Layers of a plan",
        "One GeoPackage, `plan.gpkg`, holds them all. Lengths are metres whatever the plan's map unit; heights (Z) are "
        "metres above the datum that the table [provenance](#provenance) names. Each layer opens in its own style.",
    ]
    for layer in LAYERS.values():
        shape = f"Geometry: {layer.geometry}." if layer.geometry else "A table without geometry."
        rows = [
            (
                f"`{f.name}`" + (" (key)" if f.name == layer.key else ""),
                f.type,
                cell(f.unit),
                cell(f.help) + (": " + ", ".join(f"`{c}`" for c in f.choices) if f.choices else ""),
            )
            for f in layer
        ]
        out += ["", f"## {layer.title} {{ #{layer.name} }}", f"`{layer.name}`. {cell(layer.description)}", ""]
        out += [f"{shape} Written by {cell(layer.made_by) or 'a step'}.", ""]
        out.append(table(("field", "type", "unit", "meaning"), rows))
        if layer.style and layer.style.categories:
            out.append("Legend: " + "; ".join(cell(c.label) for c in layer.style.categories) + ".\n")
    return "\n".join(out)


def files_page() -> str:
    """Every file that a step writes beside the plan."""
    rows = [
        (f"`{f.name}`", f"[{step.name}](steps/{step.name}.md)", cell(f.help))
        for step in discover().values()
        for f in step.files
    ]
    out = [
        "# Files beside the plan",
        "All of them lie in the folder of the plan, beside `plan.gpkg` with its [layers](layers.md). Every run adds to "
        "`run.log`, too, and `summary.json` has the figures of each step.",
        "",
        table(("file", "written by", "what it is"), sorted(rows)),
    ]
    return "\n".join(out)


def _settings(settings: Iterable[Setting]) -> str:
    rows = [
        (
            f"`{s.name}`",
            f"`{s.default}`" if s.default else ("must be given" if s.required else ""),
            cell(s.unit),
            cell(s.limits),
            cell(s.help) + (f" ({cell(s.source)})" if s.source else ""),
        )
        for s in settings
    ]
    return table(("setting", "default", "unit", "range", "meaning"), rows)


def site_page() -> str:
    """Every setting of the site file."""
    out = [
        "# The site file",
        "A TOML file that says what a site is; `geotools new` writes one with every setting in it. Unknown names are "
        "refused, so that a misspelt setting is never ignored. Paths count from the file's own folder.",
        "",
        "```bash",
        'geotools new site.toml --name "North yard" --fence fence.gpkg --terrain ground.tif',
        "```",
        "",
        "## Before the first section",
        _settings(section_settings(Site)),
    ]
    for name, words, section in subsections(Site):
        out += [f"## [{name}]", words, "", _settings(section_settings(section)), *_nested(name, section)]
    for heading, words, section in repeated(Site):
        out += [f"## {heading}", f"{words[:1].upper()}{words[1:]}.", "", _settings(section_settings(section))]
        name = heading.strip("[]").removesuffix(".NAME")
        if name in Site.catalogues():
            out += ["The catalogue:", "", catalogue_tables((name,))]
    return "\n".join(out)


def _nested(name: str, section: type[SiteSection]) -> list[str]:
    out: list[str] = []
    for inner, words, kind in subsections(section):
        out += [f"### [{name}.{inner}]", words, "", _settings(section_settings(kind))]
    for heading, words, kind in repeated(section):
        shown = (
            heading.replace("[[", f"[[{name}.") if heading.startswith("[[") else heading.replace("[", f"[{name}.", 1)
        )
        out += [f"### {shown}", f"{words[:1].upper()}{words[1:]}.", "", _settings(section_settings(kind))]
    return out


def _exit_codes() -> str:
    rows = {0: "done", 1: "an unexpected fault", 2: "wrong use of the command line"}
    rows[SOME_FAILED] = "a site of a batch failed; the others are done"
    rows[ANSWER_IS_NO] = "done and written, but the answer is no: zones that stay open, works that fail acceptance"
    for kind in GeotoolsError.__subclasses__():
        words = (kind.__doc__ or "").split(".")[0].strip()
        rows[kind.exit_code] = rows.get(kind.exit_code) or f"{words[:1].lower()}{words[1:]}"
    return table(("code", "meaning"), [(str(code), cell(words)) for code, words in sorted(rows.items())])


def _command(command: click.Command, path: str) -> list[str]:
    ctx = click.Context(command, info_name=path)
    out = [f"### {path}", (command.help or "").replace("\b", "").strip(), "", f"`{path} {_usage(command, ctx)}`", ""]
    rows = []
    for p in command.params:
        if isinstance(p, click.Option) and not p.hidden:
            names = " / ".join(f"`{o}`" for o in [*p.opts, *p.secondary_opts])
            rows.append((names + (" (must be given)" if p.required else ""), cell(p.help or "")))
    out.append(table(("option", "meaning"), rows) if rows else "")
    if isinstance(command, click.Group):
        for name in command.list_commands(ctx):
            inner = command.get_command(ctx, name)
            if inner is not None:
                out += _command(inner, f"{path} {name}")
    return out


def _usage(command: click.Command, ctx: click.Context) -> str:
    return " ".join(command.collect_usage_pieces(ctx))


def command_page(group: click.Group) -> str:
    """The command line: manners that all commands share, and the commands that are no steps."""
    ctx = click.Context(group, info_name="geotools")
    steps = discover()
    out = ["# The command line", *_MANNERS, "## Exit codes", _exit_codes(), "## Commands", ""]
    out.append("Each [step](steps/index.md) is a command too.\n")
    for name in group.list_commands(ctx):
        command = group.get_command(ctx, name)
        if name not in steps and command is not None:
            out += _command(command, f"geotools {name}")
    return "\n".join(out)


_MANNERS = (
    """
Every command that writes a plan takes the same options:

- `--out DIR`: the folder of the plan.
- `--overwrite`: without it, nothing that is there already is replaced.
- `--dry-run`: checks input and parameters, says what would be written, writes nothing.
- `--json`: one JSON object a line on standard output. `event` is `step` (`state` started or done, with `notes`,
  `warnings`, `layers`, `files`, `summary`), `progress` (`percent`, `what`), `finished`, or `error` (`error`, `where`,
  `found`, `expected`, `mend`, `exit_code`).
- `--quiet`: warnings and errors alone.

Progress with the time left is shown where standard error is a terminal. Every run adds to `run.log` in the output
folder: one JSON object a line with time, step, state, duration, notes and warnings. Results appear whole or not at
all: an interrupted run (Ctrl-C, or a polite request to end) leaves what stood there before.

## Errors
All errors have one shape: what is wrong, where, what was found, what was expected, how to mend it. They go to
standard error, with `--json` to standard output as one object.

## Shell completion
""",
    table(
        ("shell", "where", "line"),
        [
            ("Bash", "`~/.bashrc`", '`eval "$(_GEOTOOLS_COMPLETE=bash_source geotools)"`'),
            ("Zsh", "`~/.zshrc`", '`eval "$(_GEOTOOLS_COMPLETE=zsh_source geotools)"`'),
            (
                "Fish",
                "run once",
                "`_GEOTOOLS_COMPLETE=fish_source geotools > ~/.config/fish/completions/geotools.fish`",
            ),
        ],
    ),
)


def pages(group: click.Group) -> dict[str, str]:
    """Every generated page by its path in the documentation."""
    made = {
        "python.md": python_page(),
        "manual/steps/index.md": steps_page(),
        "manual/layers.md": layers_page(),
        "manual/files.md": files_page(),
        "manual/site-file.md": site_page(),
    }
    made["manual/command-line.md"] = command_page(group)
    made["manual/sharing.md"] = sharing_page()
    made |= {f"manual/steps/{name}.md": step_page(step) for name, step in discover().items()}
    return made
