"""How a run ends: its exit code says whether the answer is yes."""

from __future__ import annotations

from collections.abc import Sequence

from geotools.engine.runner import Job, Outcome
from geotools.errors import CancelledError

__all__ = ["ANSWER_IS_NO", "left_open", "stopped"]

#: Exit code of a run that is done and whose answer is no.
ANSWER_IS_NO = 9


def left_open(outcomes: Sequence[Outcome]) -> list[str]:
    """Zones that the last step that knows leaves open, each with the reason: works as built before works proposed."""
    knowing = [outcome.summary["left_open"] for outcome in outcomes if "left_open" in outcome.summary]
    return list(knowing[-1]) if knowing else []


def stopped(job: Job) -> CancelledError:
    """What is true of a job that the user stopped: which steps had ended, and that nothing of the rest was kept.

    Where results were just being put in place they are all put there: a part of them is no result.
    """
    done = job.written()
    if not done:
        return CancelledError("stopped by the user; what stood there before is untouched", where=job.out)
    return CancelledError(
        "stopped by the user after some steps had ended; their results are in place, of the others nothing was changed",
        where=job.out,
        found=f"ended: {', '.join(done)}",
        mend="go on from there with `geotools run SITE.toml --out FOLDER --resume`",
    )
