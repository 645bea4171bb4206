"""Declaration of the gaps step: zones and beams in; dead spots, crossings, standing levels and rasters out."""

from __future__ import annotations

from geotools.detection.chains import chains_of
from geotools.detection.second_opinion import FIELDS
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.io.crs import metres_per_unit
from geotools.plan import cautions
from geotools.plan.schema import (
    BEAM_LEVELS,
    BEAMS,
    CROSSINGS,
    DEAD_SPOTS,
    FENCE,
    HEADS,
    PROFILES,
    RESURVEY,
    SENSITIVITY,
    VERDICTS,
    ZONES,
)
from geotools.steps.gaps.overlapping import overlapping_words
from geotools.steps.gaps.straightness import LINE_RASTER, run_straightness
from geotools.steps.gaps.wave import CORRIDOR_RASTER, GAP_RASTER, RESURVEY_TABLE, run_wave
from geotools.terrain.oddities import odd_along, odd_words


def run(ctx: StepContext) -> StepResult:
    """Find where each threat gets through; see the manual beside this file."""
    chains = chains_of(ctx.site, ctx.read(ZONES), ctx.read(BEAMS), ctx.read(FENCE))
    half = ctx.site.detection.half_width_m
    for text in overlapping_words([zone for chain in chains for zone in chain.zones], half):
        ctx.warn(text)
    for zone in (zone for chain in chains for zone in chain.zones):
        # of strips without data detection itself says why they have no answer
        odd = [one for one in odd_along(ctx.terrain, zone.line.line(), half) if one.kind != "no_data"]
        for text in odd_words(odd, f"{zone.zone_id}, in its strip", metres_per_unit(ctx.workspace.plan_crs)):
            ctx.warn(text)
    return run_wave(ctx, chains) if ctx.params["method"] == "wave" else run_straightness(ctx, chains)


STEP = Step(
    name="gaps",
    title="Find gaps under the beams",
    summary="Finds where each threat crosses undetected: detection floor, crawl gaps, dead spots, crossings.",
    run=run,
    params=(
        Param(
            "method",
            "choice",
            "wave: the field of the beams over the ground; straightness: ground against a straight line between posts",
            default="wave",
            choices=("wave", "straightness"),
        ),
        Param(
            "uncertainty",
            "flag",
            "also give verdicts with confidence, where to survey again, and the sensitivity to settings (wave only)",
            default=True,
        ),
        Param(
            "field",
            "choice",
            "where the field is solved in three dimensions too, as a second opinion: auto where the ground beside the "
            "beam may decide, 3d for every zone (minutes), 2d for none (wave only, with the verdicts)",
            default="auto",
            choices=FIELDS,
        ),
    ),
    inputs=(
        LayerIn(FENCE, "which side is inside"),
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(BEAMS, "heads, kinds and heights; edited heights count"),
        LayerIn(HEADS, "polarisation, for the loss in rain", required=False),
    ),
    outputs=(
        LayerOut(VERDICTS),
        LayerOut(DEAD_SPOTS),
        LayerOut(CROSSINGS),
        LayerOut(BEAM_LEVELS),
        LayerOut(PROFILES),
        LayerOut(RESURVEY),
        LayerOut(SENSITIVITY),
    ),
    files=(
        FileOut(GAP_RASTER, "raster", "crawl gap and detection floor at every place of the corridor"),
        FileOut(CORRIDOR_RASTER, "raster", "best modulation of each threat at every place of the corridor"),
        FileOut(
            RESURVEY_TABLE,
            "table",
            "points to survey again, in the plan's coordinates: measure, fill in z, and name the file as input.levels",
        ),
        FileOut(LINE_RASTER, "raster", "depth below the straight line between the posts (method straightness)"),
    ),
    order=30,
    citations=(
        "parabolic equation by split-step sine transform, terrain by shift map: Donohue and Kuttler, "
        "IEEE Trans. Antennas Propag. 48, 2000 (from memory)",
        "diffraction by an edge: ITU-R P.526-15 (2019), clause 4.1 (from memory; a later edition may be in force)",
        "loss in rain: ITU-R P.838-3 (2005), equations 1 to 5",
        "ground within 0.15 m (crawl) and 0.075 m (prone) of straight: common practice, no source",
    ),
    cautions=(
        cautions.DETECTION,
        "The model is paraxial and takes people as opaque screens; what fence or vehicles reflect is not in it, and "
        "of grass and snow two bounds are.",
        cautions.SENSITIVE,
    ),
)
