"""The plan as it stands: heads to keep, and what of it is locked."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from geotools.beam import HeadType
from geotools.engine.step import StepContext
from geotools.errors import InfeasibleError, StepError
from geotools.plan.edits import Meant, as_meant
from geotools.plan.model import Zone
from geotools.plan.schema import BEAMS, HEADS, ZONES
from geotools.plan.zones import is_yes, text_of
from geotools.steps.layout.kept import kept_zones
from geotools.steps.layout.locks import is_locked, locked_names
from geotools.steps.layout.unknown_ground import unknown_stretches, unknown_words
from geotools.steps.layout.usable import Course

__all__ = ["Standing"]


class Standing:
    """Heads, zones and beams that the plan holds.

    ctx : of the run. kinds : head types by name. level_at : ground level at a place, m.
    """

    def __init__(
        self, ctx: StepContext, kinds: Mapping[str, HeadType], level_at: Callable[[float, float], float]
    ) -> None:
        self._ctx, self._kinds, self._level_at = ctx, kinds, level_at

    def locked(self, found: Sequence[Course]) -> dict[str, list[Zone]]:
        """Zones as they stand of every course where something is locked, in their order."""
        if not (self._ctx.workspace.has(HEADS) and self._ctx.workspace.has(ZONES)):
            return {}
        heads, zones = self._ctx.read(HEADS), self._ctx.read(ZONES)
        if not (heads["locked"].notna().any() or zones["locked"].fillna(False).any()):
            return {}
        meant = self.meant()
        alone = [row["head_id"] for row in meant.lone if text_of(row["locked"])]
        if alone:
            self._ctx.warn(f"locked heads without a partner are left out of the new design: {', '.join(alone)}")
        kept = {name: rows for name, rows in self._zones(found, meant, self._known).items() if locked_names(rows)}
        for course in found:
            self._refuse_unknown(course, kept.get(course.fence_id, []))
        return kept

    def _known(self, x: float, y: float) -> float:
        """Ground level at a place; nan where the terrain has none, which is no matter for what is laid out anew."""
        return float(self._ctx.terrain.sample([x], [y])[0])

    def _refuse_unknown(self, course: Course, zones: Sequence[Zone]) -> None:
        """InfeasibleError where something is locked whose ground level is not known."""
        lost = [
            head
            for zone in zones
            for head in zone.heads
            if is_locked(zone, head.at_start) and not math.isfinite(head.ground_m)
        ]
        if not lost:
            return
        stretches = unknown_stretches(course.line, self._ctx.terrain.sample, [0.0])
        names = ", ".join(head.head_id for head in lost[:4]) + (f" and {len(lost) - 4} more" if len(lost) > 4 else "")
        raise InfeasibleError(
            "what is locked stands where the terrain has no data",
            where=f"fence line {course.fence_id}, {names} (x {lost[0].x:.1f}, y {lost[0].y:.1f})",
            found=unknown_words(stretches, course.line.length) or "no data under its post",
            expected="a ground level under every post that stays",
            mend="survey that ground, or unlock what stands there (field locked)",
        )

    def meant(self) -> Meant:
        """The heads as they stand in the plan, with what the edits of zones and beams mean for them."""
        if not self._ctx.workspace.has(HEADS):
            raise StepError(
                "there are no heads to keep",
                where=self._ctx.workspace.plan,
                mend="run `geotools layout` without --keep first, then edit its layer heads",
            )
        heads, zones, beams = (
            self._ctx.read(schema).to_dict("records") if self._ctx.workspace.has(schema) else []
            for schema in (HEADS, ZONES, BEAMS)
        )
        return as_meant(heads, zones, beams, self._ctx.edited)

    def keep(self, found: Sequence[Course], meant: Meant) -> dict[str, list[Zone]]:
        """Zones of all courses as the heads stand."""
        return self._zones(found, meant, self._level_at)

    def _zones(
        self, found: Sequence[Course], meant: Meant, level_at: Callable[[float, float], float]
    ) -> dict[str, list[Zone]]:
        zones = self._ctx.read(ZONES).to_dict("records") if self._ctx.workspace.has(ZONES) else []
        return kept_zones(
            meant.heads,
            found,
            fence_of={row["zone_id"]: row["fence_id"] for row in zones},
            number_of={row["zone_id"]: int(row["number"]) for row in zones if row["number"] == row["number"]},
            kinds=self._kinds,
            level_at=level_at,
            locked={row["zone_id"] for row in zones if is_yes(row["locked"])},
        )
