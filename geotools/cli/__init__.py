"""The command line: a command for every registered step, and `run`, `demo`, `steps` around them."""

from __future__ import annotations

import errno
import json
import os
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import click

from geotools import __version__
from geotools.cli.apply import apply
from geotools.cli.batch.command import batch, make_workers
from geotools.cli.commands import gis_plugin, new
from geotools.cli.demo import demo
from geotools.cli.doctor import doctor
from geotools.cli.options import PlanOptions, output_options
from geotools.cli.process import prepare_process
from geotools.cli.share import share
from geotools.cli.status import status
from geotools.cli.terrain import terrain
from geotools.engine.memory import few_heaps, rare_collections
from geotools.engine.step import BUILT_IN, Param, Step, built_in, discover
from geotools.engine.step_names import step_summaries
from geotools.engine.workers import Workers
from geotools.errors import CancelledError, GeotoolsError, OutputError

EXIT_CODES = """\b
Exit codes: 0 done; 1 an unexpected fault; 2 wrong use of the command line; 3 an input file cannot be used;
4 the site file or a parameter is wrong; 5 no answer inside the limits; 6 a result could not be written;
7 a step cannot run yet, or a plug-in is broken; 8 some sites of a batch failed; 9 done, but the answer is no (zones
that stay open, works that fail acceptance); 130 stopped by the user."""

_CLICK_TYPE: dict[str, Any] = {"text": str, "real": float, "integer": int, "path": click.Path(path_type=Path)}


class StepGroup(click.Group):
    """Commands of our own, then one for every registered step, loaded when it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands: our own first, then the steps in the order of the job."""
        return [*super().list_commands(ctx), *step_summaries()]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, without loading any step."""
        steps = step_summaries()
        own = {name: super(StepGroup, self).get_command(ctx, name) for name in super().list_commands(ctx)}
        room = formatter.width - 6 - max(map(len, (*own, *steps)))
        rows = [(name, made.get_short_help_str(room)) for name, made in own.items() if made is not None]
        with formatter.section("Commands"):
            formatter.write_dl([*rows, *steps.items()])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, made from the step's declaration where it is a step."""
        own = super().get_command(ctx, cmd_name)
        if own is not None:
            return own
        step = built_in(cmd_name) if cmd_name in BUILT_IN else discover().get(cmd_name)
        return None if step is None else step_command(step)

    def invoke(self, ctx: click.Context) -> Any:
        """Run, and turn our own errors into one shape of message and an exit code."""
        try:
            return super().invoke(ctx)
        except GeotoolsError as problem:
            fail(problem, as_json=wants_json(ctx))
        except KeyboardInterrupt:
            stopped = CancelledError("stopped by the user; what stood there before is untouched")
            fail(stopped, as_json=wants_json(ctx))


def wants_json(ctx: click.Context) -> bool:
    """Whether JSON lines were requested of the command that ran, or was about to."""
    return bool((ctx.find_root().obj or {}).get("json"))


def fail(problem: GeotoolsError, *, as_json: bool) -> NoReturn:
    """Print an error in the one shape all of them have, and end with its exit code."""
    if as_json:
        click.echo(json.dumps({"event": "error", **problem.parts(), "exit_code": problem.exit_code}))
    else:
        click.echo(f"error: {problem}", err=True)
    sys.exit(problem.exit_code)


def _option(param: Param) -> click.Option:
    flag = "--" + param.name.replace("_", "-")
    words = param.help + (f" [{param.range_text()}]" if param.range_text() and param.kind != "choice" else "")
    if param.kind == "flag":
        return click.Option([f"{flag}/--no-{flag[2:]}", param.name], default=param.default, help=words)
    kind = click.Choice(list(param.choices)) if param.kind == "choice" else _CLICK_TYPE[param.kind]
    return click.Option(
        [flag, param.name], type=kind, default=param.default, help=words, show_default=param.default is not None
    )


def step_command(step: Step) -> click.Command:
    """The command of a step, made from its declaration."""

    @click.argument("site_file", metavar="SITE.toml", type=click.Path(path_type=Path))
    @output_options
    def command(options: PlanOptions, /, site_file: Path, no_update: bool, **params: Any) -> None:
        run_steps(site_file, options, steps={step.name: params}, update=not no_update)

    writes = ", ".join([f"layer {o.schema.name}" for o in step.outputs] + [f.name for f in step.files])
    reads = ", ".join(i.schema.name for i in step.inputs)
    text = f"{step.summary}\n\nWrites {writes or 'nothing'}." + (f" Reads layers {reads}." if reads else "")
    made = click.command(step.name, help=text, short_help=step.summary, epilog=" ".join(step.cautions))(command)
    words = "Refuse where a layer that is read is stale, rather than make it anew first."
    made.params.append(click.Option(["--no-update", "no_update"], is_flag=True, help=words))
    made.params += [_option(param) for param in step.params]
    return made


def run_steps(
    site_file: Path,
    options: PlanOptions,
    *,
    steps: Mapping[str, Mapping[str, Any]] | None = None,
    resume: bool = False,
    redesign: bool = False,
    workers: Workers | None = None,
    update: bool = True,
) -> None:
    """Run steps on a site with words on the screen.

    Parameters
    ----------
    site_file : Path
        The site.
    options : PlanOptions
        Where to, and what may be replaced.
    steps : mapping of str to mapping, optional
        Parameters of every step to run, in order; the whole job if not given.
    resume : bool
        Whether to do only what is stale or missing, each as it was last run.
    redesign : bool
        Whether a layout that was edited by hand may be thrown away.
    workers : Workers, optional
        Who shares the pieces of a step; this process alone if not given.
    update : bool
        Whether stale layers that a step would read are made anew first.
    """
    from geotools.cli.ending import ANSWER_IS_NO, left_open, stopped
    from geotools.engine.runner import Job, plan_steps
    from geotools.engine.second import second_process
    from geotools.site import open_site

    screen = options.screen
    site = open_site(site_file)
    chosen = plan_steps(None if steps is None else list(steps))
    made = Job(
        site,
        options.out,
        overwrite=options.overwrite or resume,
        progress=screen.progress,
        workers=workers,
        update=update,
        redesign=redesign,
    )
    with second_process(), made as job:
        try:
            for step in job.resume(chosen) if resume else chosen:
                given = (steps or {}).get(step.name, {})
                known = len(job.outcomes)
                if options.dry_run:
                    job.refuse_overwriting(step)
                    screen.would_run(step, step.validate_params(given), job.sources)
                    continue
                with screen.step(step):
                    if resume:
                        job.run_again(step)
                    else:
                        job.run(step.name, **given)
                for outcome in job.outcomes[known:]:
                    screen.outcome(outcome)
            if not options.dry_run:
                screen.finished(job)
                if left_open(job.outcomes):
                    click.get_current_context().exit(ANSWER_IS_NO)
        except KeyboardInterrupt:
            raise stopped(job) from None


@click.group(cls=StepGroup, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="geotools")
def cli() -> None:
    """Find where a person could crawl under the microwave beams of a perimeter, and what to do about it.

    Start with `geotools demo --out DIR`, then write a site file and `geotools run SITE.toml --out DIR`.
    """


@cli.command()
@click.argument("site_file", metavar="SITE.toml", type=click.Path(path_type=Path))
@click.option("--resume", is_flag=True, help="Do only what is stale or missing, each as it was last run.")
@click.option("--redesign", is_flag=True, help="Discard heads, zones and cameras that were edited by hand.")
@click.option(
    "--workers", type=click.IntRange(1, 512), default=1, help="Processes that share the zones of a long line."
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="A running Dask scheduler whose workers share them instead (extra `cluster`); all must see the same paths.",
)
@output_options
def run(
    options: PlanOptions,
    site_file: Path,
    resume: bool,
    redesign: bool,
    workers: int,
    scheduler: str | None,
) -> None:
    """Run the whole job on one site: every step in order."""
    made = make_workers(workers, scheduler)
    replacing = replace(options, overwrite=options.overwrite or resume or redesign)
    try:
        run_steps(site_file, replacing, resume=resume and not options.dry_run, redesign=redesign, workers=made)
    finally:
        made.close()


@cli.command()
@click.option("--json", "as_json", is_flag=True, help="Print the whole contract of every step as JSON.")
@click.pass_context
def steps(ctx: click.Context, as_json: bool) -> None:
    """List the steps there are, built in and plugged in."""
    ctx.find_root().obj = {"json": as_json}
    if as_json:
        from geotools.cli.contract import contract_text

        click.echo(contract_text())
        return
    found = step_summaries()
    width = max(len(name) for name in found)
    for name, summary in found.items():
        click.echo(f"{name:<{width}}  {summary}")


for command in (demo, doctor, status, batch, apply, share, terrain, new, gis_plugin):
    # the list of commands shows the whole first sentence, where it would be cut at a line's end
    command.short_help = command.short_help or (command.help or "").split("\n\n")[0].replace("\n", " ")
    cli.add_command(command)


#: What the system says where nothing more can be written to the screen, or the file in its place.
_NO_SCREEN = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF, errno.EPIPE}


def main() -> None:
    """Entry point of the `geotools` command."""
    prepare_process()
    few_heaps()
    rare_collections()
    # workers must not load a module that lies in the folder somebody works in
    os.environ.setdefault("PYTHONSAFEPATH", "1")
    # many short array operations: threads of the numeric library would wait for one another; its name is read on import
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        cli(prog_name="geotools")
    except Exception as problem:
        if isinstance(problem, OSError) and problem.errno in _NO_SCREEN and problem.filename is None:
            fail(
                OutputError(
                    "the program's output could not be written",
                    found=problem,
                    mend="check the file or program that the output is sent to, and the room on its disk",
                ),
                as_json=False,
            )
        # a fault of ours: the user gets words, the maintainers can ask for the trace
        if os.environ.get("GEOTOOLS_TRACEBACK"):
            raise
        fail(
            GeotoolsError(
                "an unexpected fault in the toolkit",
                found=f"{type(problem).__name__}: {problem}",
                mend="set GEOTOOLS_TRACEBACK=1, run again and report what it prints",
            ),
            as_json="--json" in sys.argv,
        )


if __name__ == "__main__":
    main()
