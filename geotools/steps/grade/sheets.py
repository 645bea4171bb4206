"""From the plan and the site file to the set of drawings: title block, key plan, ways for water, notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from shapely import LineString, get_coordinates, get_parts

from geotools.corridor import BeamLine
from geotools.earthwork.design import Graded
from geotools.earthwork.sheet_set import Quantities, SheetSet
from geotools.earthwork.tin import TOLERANCE_M
from geotools.earthwork.waterway import Waterway, standing_ways, water_ways
from geotools.earthwork.works import CAUTIONS, MapUnits, Works
from geotools.engine.step import StepContext
from geotools.io.crs import epsg_code
from geotools.io.paper import TitleBlock
from geotools.plan.paper_state import PaperState
from geotools.plan.point_sidecar import plan_datum
from geotools.plan.schema import FENCE
from geotools.steps.grade.files import SETTING_OUT


def sheet_set(
    ctx: StepContext,
    works: Sequence[Works],
    graded: Sequence[Graded],
    lines: Mapping[str, BeamLine],
    units: MapUnits,
    paper: PaperState,
) -> SheetSet:
    """What the drawings are made from: works, title block, key plan and quantities."""
    said, crs = ctx.site.sheets, ctx.workspace.plan_crs
    code = epsg_code(crs)
    datum = plan_datum(ctx.workspace, ctx.site.input.vertical_datum)
    block = TitleBlock(
        project=f"{ctx.site.name}, {paper.kind} state, heads {paper.code}",
        revision=said.revision,
        date="" if said.date is None else said.date.isoformat(),
        drawn=said.drawn,
        checked=said.checked,
        approved=said.approved,
        crs=crs.name if code is None else f"EPSG:{code}, {crs.name}",
        vertical_datum=f"{datum if datum != 'not stated' else 'datum not stated'}; metres",
        cautions=CAUTIONS,
        recipient=said.recipient,
    )
    quantities = Quantities(said.topsoil_m, said.bulking, ctx.site.grading.balance)
    drawn = [get_coordinates(part) for fence in ctx.read(FENCE).geometry for part in get_parts(fence)]
    ways = [*water_ways(ctx), *_standing(ctx, lines)]
    grading = ctx.site.grading
    missed = ", ".join(g.zone.zone_id for g in graded if not g.clear)
    clear = (
        f"these zones are not clear and not to be built as drawn: {missed}"
        if missed
        else "every zone of this set was clear by the model"
    )
    notes = (
        "Lengths and levels are metres; chainage counts along the beam from the transmitter's post.",
        f"Run on this design, {clear}. It is designed for levels built within "
        f"{grading.build_tolerance_m:g} m, fill that settles by {grading.settlement_m:g} m, and heads within "
        f"{grading.head_tolerance_m:g} m of their heights.",
        "Fill is drawn as it is to be built, its settlement allowed for in the levels: add no camber on top, and "
        f"survey it when it is placed; settled by more than {grading.settlement_m:g} m it has to be topped up.",
        f"Set out from {SETTING_OUT}, or from the surfaces in earthworks.xml and earthworks.dxf: all three hold the "
        f"same points, whose triangles lie within {TOLERANCE_M:g} m of the design at every cell of the works.",
        f"Graded slopes are at most {grading.max_slope:g}, rise over run; ground beside the works stays as it is.",
        "Where the works stand in the way of water, build what the zones' sheets name before the fill.",
    )
    return SheetSet(block, works, lines, drawn, quantities, units, ways, notes)


def _standing(ctx: StepContext, lines: Mapping[str, BeamLine]) -> list[Waterway]:
    """Ways for water that the ground holds already, each with the zone it lies nearest to."""
    made = []
    for number, way in enumerate(standing_ways(ctx.site, ctx.workspace.work_crs), start=1):
        place = LineString(way[:, :2])
        zone_id = min(lines, key=lambda name: (lines[name].line().distance(place), name))
        made.append(
            Waterway(f"S{number:02d}", zone_id, "standing, keep open", way[:, :2], float(way[0, 2]), float(way[1, 2]))
        )
    return made
