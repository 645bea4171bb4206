"""Steps as Python functions, made from their declarations: frames in, frames out.

A call runs the ordinary runner in a private folder, so that it computes what the command line computes.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

from geotools.engine.docstrings import docstring, function_name, signature
from geotools.engine.plan_order import PlanOrder
from geotools.engine.result import Plan, Said
from geotools.engine.runner import Job, Outcome
from geotools.engine.step import Step, discover, get_step
from geotools.errors import GeotoolsError, GeotoolsWarning, InputError, StepError
from geotools.io.private_folder import PrivateFolder
from geotools.site import Site

__all__ = ["functions", "step_function"]

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
        if plan is not None:
            plan.place(folder.path)
        order = PlanOrder(*((), {}) if plan is None else (plan.edited(), _held(plan), plan.stale))
        before: list[Outcome] = []
        with Job(site, folder.path, overwrite=True) as job:
            for name, given in order.before(step):
                before.append(job.run(name, **_of_before(given)))
            outcome = job.run(step.name, **params)
            crs = job.workspace.plan_crs
    except GeotoolsError:
        folder.close()
        raise
    ran = tuple(done.step for done in before)
    notes = [f"run first, for what this step reads: {', '.join(ran)}"] if ran else []
    said = Said(
        step.name,
        tuple(out.schema.name for out in step.outputs),
        outcome.summary,
        (*notes, *outcome.notes),
        tuple(outcome.warnings),
        tuple((done.step, tuple(done.warnings)) for done in before),
        order.stale_after((*ran, step.name)),
    )
    return Plan(folder, crs, said)


def _held(plan: Plan) -> dict[str, dict[str, Any]]:
    """The parameters of the steps that made a plan, by step; empty of what cannot be read."""
    if "provenance" not in plan:
        return {}
    rows = plan["provenance"]
    found: dict[str, dict[str, Any]] = {}
    for name, text in zip(rows["step"], rows["parameters"], strict=True):
        try:
            found[str(name)] = dict(json.loads(str(text)))
        except (ValueError, TypeError):
            found[str(name)] = {}
    return found


def _of_before(given: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in given.items() if value is not None}


def _issue(plan: Plan) -> None:
    """The warnings of a call, as warnings of the line that called."""
    for name, texts in (*plan.said.before, (plan.step, plan.warnings)):
        for text in texts:
            warnings.warn(GeotoolsWarning(text, where=f"step {name}"), stacklevel=_LEVELS)


def function_of(name: str) -> Callable[..., Plan]:
    """The function of the step of that name; StepError lists the names there are."""
    made = functions()
    if name not in made:
        get_step(name)
        raise StepError("there is no step of that name", found=name, expected=", ".join(made))
    return made[name]
