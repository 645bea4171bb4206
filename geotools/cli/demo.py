"""The demonstration sites, as they lie in the distribution, and the command that runs them."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import click

from geotools.cli.options import PlanOptions, output_options
from geotools.errors import OutputError

#: Files of the invented site; the first is the site file.
FILES = ("site.toml", "fence.geojson", "sources.geojson", "movers.geojson", "terrain.tif")
#: Files of each site that comes along; the first is the site file. Real ground comes with its source and licence.
SITES = {
    "yard": FILES,
    "floodplain": (
        "floodplain.toml",
        "floodplain_fence.geojson",
        "floodplain_1m.tif",
        "README.md",
        "LICENSE-scrollstats",
    ),
}
INPUT_FOLDER = "input"


def demo_folder(name: str = "yard") -> Path:
    """Folder of a demonstration site's files: inside an installed package, else where they lie in a checkout."""
    inside = Path(__file__).parents[1] / "demo_data"
    if inside.is_dir():
        return inside if name == "yard" else inside / name
    checkout = Path(__file__).parents[2]
    return checkout / "demo_data" if name == "yard" else checkout / "tests" / "data"


def place_demo_input(out: Path, *, overwrite: bool, name: str = "yard") -> Path:
    """Copy a demonstration site's input into ``out/input`` and give back the site file's path.

    OutputError where there is something already and ``overwrite`` was not given, or the folder cannot be written.
    """
    target = out / INPUT_FOLDER
    files = SITES[name]
    there = [file for file in files if (target / file).exists()]
    if (out / "plan.gpkg").exists() and not overwrite:
        raise OutputError(
            "the output folder holds a plan already",
            where=out,
            found="plan.gpkg",
            mend="add --overwrite to replace it, or choose another folder",
        )
    try:
        target.mkdir(parents=True, exist_ok=True)
        for file in files:
            if file in there and not overwrite:
                continue
            temporary = target / f".{file}.{os.getpid()}.tmp"
            shutil.copyfile(demo_folder(name) / file, temporary)
            os.replace(temporary, target / file)
    except OSError as problem:
        raise OutputError(
            "the demonstration's input could not be placed",
            where=target,
            found=problem,
            mend="choose another folder, or check its permission and the room on its disk",
        ) from problem
    return target / files[0]


@click.command()
@click.option(
    "--site",
    "name",
    type=click.Choice(list(SITES)),
    default="yard",
    show_default=True,
    help="Invented yard with swales, a crest and a ditch, or an invented fence on a real floodplain.",
)
@click.option("--input-only", is_flag=True, help="Place the site's files in DIR/input and run nothing.")
@output_options
def demo(options: PlanOptions, name: str, input_only: bool) -> None:
    """Run the whole job on a demonstration site of the package, or place its input alone."""
    from geotools.cli import run_steps

    if options.dry_run:
        run_steps(demo_folder(name) / SITES[name][0], options)
        return
    site_file = place_demo_input(options.out, overwrite=options.overwrite, name=name)
    if not input_only:
        run_steps(site_file, options)
    elif options.as_json:
        click.echo(json.dumps({"event": "finished", "site": str(site_file.resolve())}))
    elif not options.quiet:
        click.echo(f"Written: {', '.join(SITES[name])} in {site_file.parent}")
        click.echo(f"Next: geotools run {site_file} --out {options.out}")
