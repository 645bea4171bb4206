"""The proposed state on the page: what the same detection says of the ground and the heads that the remedy proposes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.detection.cases import length_of
from geotools.detection.heights_ahead import floors_of, gap_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import runs, stretch
from geotools.earthwork.from_plan import CUT_FILL, design_of
from geotools.earthwork.proposal import proposed_zones
from geotools.engine.step import StepContext
from geotools.errors import StepError
from geotools.plan.model import Zone
from geotools.plan.schema import PROPOSED_HEADS
from geotools.steps.explore.scene import Place, beams_of

__all__ = ["ProposedPerimeter", "proposed_perimeter"]

Array = npt.NDArray[np.float64]


class ProposedPerimeter:
    """The perimeter as proposed, and which of its zones each zone of the layout becomes."""

    def __init__(self, perimeter: Perimeter, becomes: dict[str, tuple[Zone, ...]]) -> None:
        self.perimeter, self.becomes = perimeter, becomes
        self.floors = floors_of(perimeter)

    def zone_data(self, today: Zone) -> list[dict[str, Any]]:
        """Section and answer of each zone that a zone of the layout becomes, along today's beam line."""
        return [self._part(today, part) for part in self.becomes.get(today.zone_id, (today,))]

    def dead_areas(self, place: Place) -> dict[str, list[dict[str, Any]]]:
        """Ground across which each threat gets undetected even then, by threat, as rings on the map."""
        found: dict[str, list[dict[str, Any]]] = {threat: [] for threat in self.perimeter.rules.targets}
        for name, zone in self.perimeter.zones.items():
            grid = self.perimeter.grids[name]
            for threat, flags in self.perimeter.dead(name).items():
                for ends in (stretch(grid, *run) for run in runs(flags)):
                    area = zone.line.rectangle(*ends, float(grid.offset_m.max()))
                    at = place.points(area.exterior.coords)
                    found[threat].append({"zone": name, "at": at, "length": round(ends[1] - ends[0], 1)})
        return found

    def _part(self, today: Zone, part: Zone) -> dict[str, Any]:
        name, perimeter = part.zone_id, self.perimeter
        grid, level = perimeter.grids[name], perimeter.levels(name)
        ground = level[:, level.shape[1] // 2]
        # a part may run the other way, or beside today's line: it is drawn where its posts stand along today's
        ends = today.line.from_map([part.line.x0, part.line.x1], [part.line.y0, part.line.y1])[0]
        scale = float(ends[1] - ends[0]) / part.line.length

        def along(chainage: Any) -> Any:
            return float(ends[0]) + np.asarray(chainage, float) * scale

        gap, counted, dead = gap_of(perimeter, name, self.floors), perimeter.counted(name), perimeter.dead(name)
        order = slice(None, None, 1 if scale > 0 else -1)
        return {
            "zone": name,
            "chainage": np.round(along(grid.chainage_m), 2)[order].tolist(),
            "ground": np.round(ground, 3)[order].tolist(),
            "ends": np.round(ends, 2).tolist(),
            "posts": [round(float(ground[0]), 3), round(float(ground[-1]), 3)],
            "beams": beams_of(part),
            "gap": np.round(gap * 100).astype(int)[order].tolist(),
            "dead": {
                threat: [sorted(np.round(along(stretch(grid, *run)), 2).tolist()) for run in runs(flags)]
                for threat, flags in dead.items()
            },
            "length": {threat: round(length_of(flags, grid.chainage_m), 3) for threat, flags in dead.items()},
            "most": round(float(gap[counted].max(initial=0.0)), 2),
        }


def proposed_perimeter(ctx: StepContext, perimeter: Perimeter) -> ProposedPerimeter | None:
    """The state that the remedy left in the plan; None where there is none, or it belongs to another layout.

    Parameters
    ----------
    ctx : StepContext
        Of a step that reads the layer proposed_heads.
    perimeter : Perimeter
        As it stands.
    """
    if not ctx.workspace.has(PROPOSED_HEADS) or not (ctx.workspace.folder / CUT_FILL).is_file():
        return None
    try:
        surface = design_of(ctx.site, perimeter, perimeter.ground, ctx.workspace.folder, ctx.workspace.plan_crs)
        becomes = proposed_zones(ctx.site, perimeter, ctx.read(PROPOSED_HEADS))
    except StepError as problem:
        ctx.warn(f"the page shows no proposed state: {problem}")
        return None
    return ProposedPerimeter(perimeter.with_zones(becomes, surface), becomes)
