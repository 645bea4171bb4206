"""Steps as Python functions, made from their declarations: frames in, frames out.

A call runs the ordinary runner in a private folder, so that it computes what the command line computes, and takes edits
and what became stale as the command line does.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Collection, Mapping
from functools import cache
from typing import Any

from geotools.engine.docstrings import docstring, function_name, signature
from geotools.engine.result import Plan, Said
from geotools.engine.runner import Job
from geotools.engine.step import Step, discover
from geotools.errors import GeotoolsWarning, InputError
from geotools.io.private_folder import PrivateFolder
from geotools.site import Site

__all__ = ["functions", "missing_makers", "step_function"]

#: Frames of the caller's own code that stand between a warning and the line that called: `_issue`, `call`.
_LEVELS = 3


@cache
def functions() -> dict[str, Callable[..., Plan]]:
    """The function of every step by its name, built-in ones first; StepError where a plug-in cannot be loaded."""
    return {function_name(step): step_function(step) for step in discover().values()}


def step_function(step: Step) -> Callable[..., Plan]:
    """The Python function of a step, with a real signature and docstring."""
    declared = signature(step)

    def call(*args: Any, **kwargs: Any) -> Plan:
        bound = declared.bind(*args, **kwargs)  # TypeError as from any function
        bound.apply_defaults()
        params = dict(bound.arguments)
        site, plan = params.pop("site"), params.pop("plan")
        _check_arguments(step, site, plan)
        made = _run(step, site, plan, step.validate_params(params))
        _issue(made)
        return made

    call.__name__ = call.__qualname__ = function_name(step)
    call.__module__ = "geotools"
    call.__doc__ = docstring(step)
    call.__signature__ = declared  # type: ignore[attr-defined]
    call.__annotations__ = {p.name: p.annotation for p in declared.parameters.values()} | {"return": Plan}
    return call


def _check_arguments(step: Step, site: Any, plan: Any) -> None:
    where = f"geotools.{function_name(step)}"
    if not isinstance(site, Site):
        raise InputError(
            "the first argument is no site",
            where=where,
            found=type(site).__name__,
            expected="a geotools.Site",
            mend="make one with geotools.Site.from_frames(fence, dtm) or geotools.open_site(path)",
        )
    if plan is not None and not isinstance(plan, Plan):
        raise InputError(
            "the second argument is no plan",
            where=where,
            found=type(plan).__name__,
            expected="a geotools.Plan, or nothing",
            mend="give what another step's function gave back, or geotools.open_plan(folder)",
        )


def _run(step: Step, site: Site, plan: Plan | None, params: Mapping[str, Any]) -> Plan:
    folder = PrivateFolder()
    try:
        held = set() if plan is None else set(plan.layers)
        if plan is not None:
            plan.place(folder.path)
        with Job(site, folder.path, overwrite=True) as job:
            for name in missing_makers(step, held):
                job.run(name)
            job.run(step.name, **params)  # what is stale is brought up to date first: edits count
            *before, outcome = job.outcomes
            crs = job.workspace.plan_crs
            stale = tuple(name for name, causes in job.ledger.causes(job.records()).items() if causes)
    except BaseException:
        folder.close()
        raise
    ran = ", ".join(dict.fromkeys(done.step for done in before))
    said = Said(
        step.name,
        tuple(out.schema.name for out in step.outputs),
        outcome.summary,
        (*([f"run first, for what this step reads: {ran}"] if ran else []), *outcome.notes),
        tuple(outcome.warnings),
        tuple((done.step, tuple(done.warnings)) for done in before),
        stale,
    )
    return Plan(folder, crs, said)


def missing_makers(step: Step, held: Collection[str]) -> list[str]:
    """The steps to run first so that every layer that ``step`` requires is there, in order.

    Parameters
    ----------
    step : Step
        What is to be run.
    held : collection of str
        Layers that are there.

    Returns
    -------
    list of str
        Names of steps; each is run with its defaults.
    """
    makers = {out.schema.name: other for other in discover().values() for out in other.outputs if not out.updates}
    found: dict[str, None] = {}

    def need(reader: Step, above: tuple[str, ...]) -> None:
        for read in reader.inputs:
            maker = makers.get(read.schema.name)
            if maker is None or not read.required or read.schema.name in held:
                continue
            if maker.name not in found and maker.name not in above:
                need(maker, (*above, maker.name))
                found[maker.name] = None

    need(step, (step.name,))
    return list(found)


def _issue(plan: Plan) -> None:
    """The warnings of a call, as warnings of the line that called."""
    for name, texts in (*plan.said.before, (plan.step, plan.warnings)):
        for text in texts:
            warnings.warn(GeotoolsWarning(text, where=f"step {name}"), stacklevel=_LEVELS)
