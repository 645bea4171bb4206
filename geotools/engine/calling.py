"""A step's own run: what the system refuses is said in words, and what it hands back is what it declares."""

from __future__ import annotations

from pathlib import Path

from geotools.engine.step import Step, StepContext, StepResult
from geotools.engine.writing import writing
from geotools.errors import StepError

__all__ = ["check_result", "run_step"]


def run_step(step: Step, ctx: StepContext) -> StepResult:
    """The step's answer; StepError where memory does not suffice, OutputError where the system refuses to write."""
    with writing(ctx.scratch.parent.parent):
        try:
            return step.run(ctx)
        except MemoryError as problem:
            raise StepError(
                "there is not enough memory for this step",
                where=f"step {step.name}",
                found=str(problem) or "out of memory",
                mend="use fewer workers, a coarser spacing, or a machine with more memory",
            ) from problem


def check_result(step: Step, result: StepResult, scratch: Path) -> None:
    """StepError where layers or files are not those that the step declares."""
    declared = {out.schema.name for out in step.outputs}
    # a layer of another step is left as it is where there is nothing to fill in
    missing = {out.schema.name for out in step.outputs if not out.updates} - set(result.layers)
    if missing or not set(result.layers) <= declared:
        raise StepError(
            "a step hands back other layers than it declares",
            where=f"step {step.name}",
            found=", ".join(sorted(result.layers)) or "none",
            expected=", ".join(sorted(declared)) or "none",
        )
    offered = tuple(f.name for f in step.files)
    for name in result.files:
        known = any(name == offer or (offer.endswith("/") and name.startswith(offer)) for offer in offered)
        if not known or not (scratch / name).is_file() or ".." in Path(name).parts:
            raise StepError(
                "a step hands back a file it does not declare, or did not write",
                where=f"step {step.name}",
                found=name,
                expected=", ".join(offered) or "none",
            )
