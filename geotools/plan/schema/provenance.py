"""The table that says how the plan came to be."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema

PROVENANCE = LayerSchema(
    name="provenance",
    title="Provenance",
    description="One row for each step that wrote into this plan: version, parameters, hashes of its input, sources.",
    geometry=None,
    key="step",
    made_by="(every step)",
    fields=(
        Field("step", "text", "step that was run", nullable=False),
        Field("version", "text", "version of the toolkit", nullable=False),
        Field("libraries", "text", "versions of the libraries that decide figures"),
        Field("parameters", "text", "its parameters as JSON"),
        Field("inputs", "text", "SHA-256 of the files read and of the settings, as JSON"),
        Field(
            "record",
            "text",
            "what it read and wrote as JSON: settings, codes of layers and files; `geotools status` compares it",
        ),
        Field("layers", "text", "layers written, separated by spaces"),
        Field("files", "text", "files written beside the plan, separated by spaces"),
        Field("plan_crs", "text", "coordinate system of the plan"),
        Field("vertical_datum", "text", "datum of all heights"),
        Field("vertical_unit", "text", "unit of all heights in this file"),
        Field("source_vertical_unit", "text", "unit of the heights in the terrain file"),
        Field("citations", "text", "published sources the step stands on"),
        Field("cautions", "text", "what the reader must know before acting on it"),
        Field("notes", "text", "what the step said while it ran, one line each"),
    ),
)
