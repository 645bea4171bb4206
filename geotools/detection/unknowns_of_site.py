"""What is not known exactly of a site, from its file, its survey and its plan."""

from __future__ import annotations

from pathlib import Path

from geotools.detection.accuracy import PER_95, Accuracy, estimate, read_check_points
from geotools.detection.unknowns import Build, Unknowns
from geotools.engine.step import StepContext
from geotools.io.crs import metres_per_unit
from geotools.io.files import local_file
from geotools.site.sources import open_works
from geotools.terrain.quality import from_tags

__all__ = ["accuracy_of", "unknowns_of"]


def accuracy_of(ctx: StepContext) -> Accuracy | None:
    """Accuracy of the terrain: from check points if there are any, else as stated; None where nothing is known."""
    given, stated = ctx.site.survey, ctx.site.input.vertical_accuracy_m
    if not ctx.params.get("uncertainty", True) or given.draws == 0:
        return None
    if "survey" not in ctx.site.detection.uncertain:
        return Accuracy(0.0, correlation_m=given.correlation_m)
    if given.check_points is not None:
        points = read_check_points(Path(local_file(ctx.site.path(given.check_points), "file of check points")))
        points[:, :2] *= metres_per_unit(ctx.workspace.plan_crs)
        model = ctx.terrain.sample(points[:, 0], points[:, 1])
        found = estimate(points, model, given.correlation_m)
        ctx.say(
            f"{found.points} check points: model {found.bias_m * 100:+.1f} cm off on the whole, RMSEz "
            f"{found.rmse_m * 100:.1f} cm, errors go together over {found.correlation_m:.1f} m"
        )
        return found
    said = from_tags(ctx.terrain.tags, ctx.terrain.cell_m)
    if stated is None and said is not None and said.accuracy_m is not None:
        ctx.say(f"vertical accuracy {said.accuracy_m:.3g} m (95 %), from the raster's metadata")
        stated = said.accuracy_m
    if stated is None:
        ctx.warn(
            "no vertical accuracy is stated and no check points are given: the certainty of a dead spot is unknown; "
            "set input.vertical_accuracy_m or survey.check_points"
        )
        return None
    return Accuracy(stated / PER_95, correlation_m=given.correlation_m)


def unknowns_of(ctx: StepContext, accuracy: Accuracy | None) -> Unknowns:
    """What is not known exactly, as the site file has it."""
    detection, survey = ctx.site.detection, ctx.site.survey
    among = set(detection.uncertain)
    works = open_works(ctx.site, ctx.workspace.plan_crs) if "build" in among else None
    graded = ctx.site.grading
    return Unknowns(
        accuracy,
        head_m=detection.head_tolerance_m if "heads" in among else 0.0,
        aim_deg=detection.aim_tolerance_deg if "heads" in among else 0.0,
        body=detection.body_range if "body" in among else 0.0,
        mirror_grass_m=detection.grass_m if "surface" in among else 0.0,
        envelope=(detection.envelope_threshold or None) if "law" in among else None,
        build=None if works is None else Build(works, graded.build_tolerance_m, graded.settlement_m),
        levels=ctx.terrain.known,
        draws=survey.draws if ctx.params.get("uncertainty", True) else 0,
        seed=survey.seed,
    )
