"""One site of a batch, done in whatever process it lands in; what went wrong comes back as data."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geotools.engine.runner import Job, plan_steps
from geotools.errors import GeotoolsError
from geotools.plan.workspace import PLAN_NAME
from geotools.site import open_site


@dataclass(frozen=True)
class Task:
    """What a worker is given: small, and nothing of the site's data."""

    name: str
    site_file: Path
    out: Path
    steps: tuple[str, ...] | None = None
    overwrite: bool = False
    resume: bool = False
    only_stale: bool = False


@dataclass
class SiteResult:
    """How a site fared. ``state``: done, kept (all results were there), left (not begun), failed."""

    name: str
    folder: str
    state: str
    steps: list[str] = field(default_factory=list)
    seconds: float = 0.0
    warnings: int = 0
    figures: dict[str, dict[str, Any]] = field(default_factory=dict)
    error: dict[str, str] = field(default_factory=dict)
    exit_code: int = 0


def run_task(task: Task) -> SiteResult:
    """Run the steps of one site; never raises for what is wrong with the site."""
    began = time.perf_counter()
    result = SiteResult(task.name, task.out.name, "failed")
    if task.only_stale and not (task.out / PLAN_NAME).exists():
        result.state = "left"
        return result
    try:
        site = open_site(task.site_file)
        steps = plan_steps(task.steps)
        with Job(site, task.out, overwrite=task.overwrite or task.resume) as job:
            if task.only_stale:
                begun = job.records()
                steps = [step for step in steps if step.name in begun]
            for step in job.resume(steps) if task.resume else steps:
                outcome = job.run_again(step) if task.resume else job.run(step.name)
                result.steps.append(step.name)
                result.warnings += len(outcome.warnings)
                result.figures[step.name] = {
                    k: v for k, v in outcome.summary.items() if isinstance(v, int | float | str)
                }
        result.state = "done" if result.steps else "kept"
    except GeotoolsError as problem:
        result.error, result.exit_code = problem.parts(), problem.exit_code
    except Exception as problem:  # a fault of ours or of a plug-in on one site must not end the night's work
        result.error = {"error": "an unexpected fault in the toolkit", "found": f"{type(problem).__name__}: {problem}"}
        result.exit_code = GeotoolsError.exit_code
    result.seconds = time.perf_counter() - began
    return result
