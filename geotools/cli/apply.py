"""The command `geotools apply`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from geotools.cli.screen import Screen


@click.command()
@click.argument("site_file", metavar="SITE.toml", type=click.Path(path_type=Path))
@click.option(
    "--out", "-o", type=click.Path(path_type=Path), required=True, help="Folder of the plan, in which remedy has run."
)
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    required=True,
    help="Folder for the proposed state; new, empty, or one that this command wrote.",
)
@click.option(
    "--overwrite", is_flag=True, help="Replace an earlier proposed state there, with the results in its folder out."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors.")
@click.pass_context
def apply(
    ctx: click.Context, /, site_file: Path, out: Path, into: Path, overwrite: bool, as_json: bool, quiet: bool
) -> None:
    """Make the recommended state a site of its own, on which every step runs.

    Takes what remedy proposes, all of it: heads set, added and moved, zones split, ground cut and filled. Writes
    site.toml (the site's settings), fence.gpkg, terrain.tif (existing ground plus change) and out/plan.gpkg (fence,
    zones, heads, beams and what layout says of them; no results of the existing state). Further files that the site
    names are copied into its folder input.

    The terrain keeps the cells, coordinate system, unit and tags of the existing one. Where the design's cells do not
    fall on them, the coarsest grid is taken that holds the centres of both, so that the ground read between cells is
    the ground that was designed. A terrain in another coordinate system than the plan is written in the plan's, in
    metres.

    Zones and heads that stay keep their names, planes of polarisation and channels. Then run the detection again:

        geotools gaps INTO/site.toml --out INTO/out
    """
    from geotools.earthwork.applied import apply_proposal
    from geotools.site import open_site

    ctx.find_root().obj = {"json": as_json}
    screen = Screen(as_json, quiet)
    made = apply_proposal(open_site(site_file), out, into, overwrite=overwrite)
    if as_json:
        screen.emit("applied", **asdict(made))
        return
    if quiet:
        return
    screen.say(f"{made.zones} zones, {made.heads} heads; terrain of {made.terrain.columns} x {made.terrain.rows} cells")
    for note in made.notes:
        screen.say(f"  {note}")
    screen.say(f"Written: {made.site_file.resolve()}")
    screen.say(f"Next: geotools gaps {made.site_file} --out {made.plan.parent}")
