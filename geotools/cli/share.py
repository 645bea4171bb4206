"""The command `geotools share`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geotools.cli.screen import Screen
from geotools.plan import cautions

#: As the site file has them; written out, for reading its declarations would delay every command.
AUDIENCES = ("public", "contractor", "client", "full")


@click.command()
@click.argument("site_file", metavar="SITE.toml", type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path), required=True, help="Folder of the plan.")
@click.option("--for", "audience", type=click.Choice(AUDIENCES), required=True, help="Who is to see it.")
@click.option(
    "--to",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="File to write: .gpkg the plan, .pdf a map on paper, .zip both with the rasters.",
)
@click.option("--recipient", default="", help="Who gets it, named on the paper. [recipient of the site file]")
@click.option("--overwrite", is_flag=True, help="Replace a file that is there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors.")
@click.pass_context
def share(
    ctx: click.Context,
    /,
    site_file: Path,
    out: Path,
    audience: Any,
    file: Path,
    recipient: str,
    **given: bool,
) -> None:
    """Write what an audience may see of a plan into one file.

    Which layers, fields and rasters each audience sees is a table in the site file, section [sharing]; `full` leaves
    nothing out. The file is made anew: nothing that is left out stands in it in any form. Nothing stale is handed over.
    """
    from geotools.engine.sharing import share as write_shared
    from geotools.site import open_site

    ctx.find_root().obj = {"json": given["as_json"]}
    screen = Screen(given["as_json"], given["quiet"])
    made = write_shared(
        open_site(site_file),
        out,
        audience,
        file,
        recipient=recipient,
        overwrite=given["overwrite"],
    )
    if given["as_json"]:
        screen.emit(
            "shared",
            file=made.file.resolve(),
            audience=made.audience,
            layers=made.layers,
            rasters=made.rasters,
            warnings=made.warnings,
        )
        return
    for text in made.warnings:
        screen.warn(f"warning: {text}")
    if given["quiet"]:
        return
    screen.say(f"For {made.audience}: layers {', '.join(made.layers)}")
    if made.rasters:
        screen.say(f"rasters {', '.join(made.rasters)}")
    if made.audience != "public":
        screen.say(cautions.SENSITIVE)
    screen.say(f"Written: {made.file.resolve()}")
