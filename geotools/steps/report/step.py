"""Declaration of the report step: reads what the plan holds and writes HTML and PDF."""

from __future__ import annotations

from geotools.engine.step import FileOut, LayerIn, Step, StepContext, StepResult
from geotools.plan import cautions
from geotools.plan.schema import BEAMS, FENCE, HEADS, LAYERS, ZONES
from geotools.steps.report.blocks import HTML, PDF, SECTIONS


def run(ctx: StepContext) -> StepResult:
    """Make the sheets; see the manual beside this file."""
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.steps.report.whole import write_report

    return write_report(ctx)


STEP = Step(
    name="report",
    title="Report",
    summary="Writes the plan as a report: a summary first, then a sheet for each zone; HTML and PDF.",
    run=run,
    inputs=tuple(
        LayerIn(schema, "shown in the report", required=schema in (FENCE, ZONES, HEADS, BEAMS))
        for schema in LAYERS.values()
    ),
    files=(
        FileOut(HTML, "document", "For screens of any width; one file that needs no network, prints well."),
        FileOut(PDF, "document", "For paper, A4."),
        FileOut(SECTIONS, "picture", "Long section of each zone: ground, beams, crawl gap, dead spots."),
    ),
    order=90,
    citations=(
        "hues after Okabe and Ito, Color Universal Design, 2008 (from memory)",
        "order of the sheets: common practice",
    ),
    cautions=(cautions.SENSITIVE,),
)
