"""How a run ends: its exit code says whether the answer is yes."""

from __future__ import annotations

from collections.abc import Sequence

from geotools.engine.runner import Outcome

__all__ = ["ANSWER_IS_NO", "left_open"]

#: Exit code of a run that is done and whose answer is no.
ANSWER_IS_NO = 9


def left_open(outcomes: Sequence[Outcome]) -> list[str]:
    """Zones that the last step that knows leaves open, each with the reason: works as built before works proposed."""
    knowing = [outcome.summary["left_open"] for outcome in outcomes if "left_open" in outcome.summary]
    return list(knowing[-1]) if knowing else []
