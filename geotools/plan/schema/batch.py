"""The table of a batch: what came of each site."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema

BATCH_SITES = LayerSchema(
    name="batch_sites",
    title="Outcomes",
    description="One row for each site of a batch: whether it was done, and what stood in the way where it was not.",
    geometry=None,
    key="site",
    made_by="(batch)",
    fields=(
        Field("site", "text", "name of the site in the batch", nullable=False),
        Field("folder", "text", "folder of its plan, below the batch's", nullable=False),
        Field(
            "state",
            "text",
            "done in this run; kept: all were current; left: not begun, by --only-stale; failed: see problem",
            choices=("done", "kept", "left", "failed"),
            nullable=False,
        ),
        Field("steps", "text", "steps that were run, separated by spaces"),
        Field(
            "warnings",
            "integer",
            "how many warnings its results rest on, also those of earlier runs; the site's run.log holds them",
        ),
        Field("detected_m", "real", "fence on which every threat of the site is detected with 95 % confidence", "m"),
        Field("unproven_m", "real", "fence on which the worst of them is unproven", "m"),
        Field("undetected_m", "real", "fence on which one of them crosses undetected", "m"),
        Field("no_beam_m", "real", "fence that no beam covers", "m"),
        Field("verdicts", "text", "metres of the same four for each threat by itself"),
        Field(
            "worst_place",
            "text",
            "the longest stretch of the worst verdict: verdict, threat, zone, place and length; where all is "
            "detected, the condition of that",
        ),
        Field("report", "text", "the site's report, below the batch's folder"),
        Field("problem", "text", "what stood in the way"),
        Field("problem_where", "text", "where it was found"),
        Field("found", "text", "what was found there"),
        Field("mend", "text", "what can be done about it"),
        Field("exit_code", "integer", "exit code a run of this site alone ends with; 0 is well"),
    ),
)
