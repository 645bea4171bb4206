"""The step `patrol`: points for a patrol on every stretch of fence that is not detected."""

from __future__ import annotations

from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.plan.schema import VERDICTS, Field, LayerSchema
from geotools.plan.schema.style import BLACK, YELLOW, Style, Symbol
from geotools.plan.workspace import frame_of
from geotools_patrol.kernel import places

__all__ = ["PATROL_POINTS", "STEP"]

PATROL_POINTS = LayerSchema(
    name="patrol_points",
    title="Patrol points",
    description="Where a patrol looks in until the stretch of fence is closed.",
    geometry="Point",
    key="point_id",
    made_by="patrol",
    fields=(
        Field("point_id", "text", "verdict and number", nullable=False),
        Field("threat", "text", "who is not detected here"),
        Field("verdict", "text", "what holds for the stretch"),
        Field("along_m", "real", "distance along the fence line", "m"),
    ),
    style=Style(Symbol(BLACK, fill_colour=YELLOW, marker="cross", size=3.0), label_field="point_id", label_size=7.0),
)


def run(ctx: StepContext) -> StepResult:
    """Set the points; see the manual beside this file."""
    every, threat = ctx.params["every_m"], ctx.params["threat"]
    rows = []
    for stretch in ctx.read(VERDICTS).itertuples():
        if stretch.threat != threat or stretch.verdict == "detected":
            continue
        for number, along in enumerate(places(stretch.to_m - stretch.from_m, every), start=1):
            rows.append(
                {
                    "point_id": f"{stretch.verdict_id}-{number}",
                    "threat": stretch.threat,
                    "verdict": stretch.verdict,
                    "along_m": stretch.from_m + along,
                    "geometry": stretch.geometry.interpolate(along),
                }
            )
    ctx.say(f"{len(rows)} points where a patrol looks in")
    frame = frame_of(PATROL_POINTS, rows, ctx.workspace.work_crs)
    return StepResult(layers={"patrol_points": frame}, summary={"points": len(rows)})


STEP = Step(
    name="patrol",
    title="Points for a patrol",
    summary="Sets points on every stretch of fence that is not detected.",
    run=run,
    params=(
        Param("threat", "text", "Threat whose verdicts count; `all` is the worst of them.", default="all"),
        Param("every_m", "real", "Fence that one point stands for.", default=20.0, unit="m", minimum=1, maximum=500),
    ),
    inputs=(LayerIn(VERDICTS, "the stretches that are not detected"),),
    outputs=(LayerOut(PATROL_POINTS),),
    uses_terrain=False,
    order=0,
    cautions=("A patrol is no detection: close the stretch.",),
)
