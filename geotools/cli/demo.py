"""The demonstration sites, as they lie in the distribution, and the command that runs them."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from geotools.cli.options import PlanOptions, output_options
from geotools.errors import OutputError, SiteError
from geotools.io.files import make_folders

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
#: Sites that are made when they are asked for (`geotools.cli.demo_sites`), with their files.
MADE = {
    "double-fence": ("site.toml", "fence.geojson", "terrain.tif"),
    "l-yard": ("site.toml", "fence.geojson", "terrain.tif", "keep_outs.geojson"),
    "hilly": ("site.toml", "fence.geojson", "terrain.tif"),
    "border": ("site.toml", "fence.geojson", "terrain.tif"),
}
INPUT_FOLDER, SITE_FILE = "input", "site.toml"


def demo_folder(name: str = "yard") -> Path:
    """Folder of a demonstration site's files: inside an installed package, else where they lie in a checkout."""
    inside = Path(__file__).parents[1] / "demo_data"
    if inside.is_dir():
        return inside if name == "yard" else inside / name
    checkout = Path(__file__).parents[2]
    return checkout / "demo_data" if name == "yard" else checkout / "tests" / "data"


@contextmanager
def _source(name: str) -> Iterator[Path]:
    """Folder that holds a site's files for as long as they are needed."""
    if name in SITES:
        yield demo_folder(name)
        return
    from geotools.cli.demo_sites import write_made_site

    with tempfile.TemporaryDirectory() as made:
        write_made_site(name, Path(made))
        yield Path(made)


def _steps_until(last: str | None) -> dict[str, dict[str, Any]] | None:
    """The steps of the whole job up to one of them, with their defaults; None for all."""
    from geotools.engine.runner import plan_steps

    if last is None:
        return None
    names = [step.name for step in plan_steps()]
    if last not in names:
        raise SiteError("no step of the whole job", where="--until", found=last, expected=", ".join(names))
    return {name: {} for name in names[: names.index(last) + 1]}


def place_demo_input(out: Path, *, overwrite: bool, name: str = "yard") -> Path:
    """Copy a demonstration site's input into ``out/input`` and give back the site file's path.

    OutputError where there is something already and ``overwrite`` was not given, or the folder cannot be written.
    """
    target = out / INPUT_FOLDER
    files = (SITES | MADE)[name]
    there = [name for name in (_placed(file, files) for file in files) if (target / name).exists()]
    if (out / "plan.gpkg").exists() and not overwrite:
        raise OutputError(
            "the output folder holds a plan already",
            where=out,
            found="plan.gpkg",
            mend="add --overwrite to replace it, or choose another folder",
        )
    try:
        # the folder will hold the plan: others are to see no name in it
        make_folders(target, private=True)
        with _source(name) as source:
            for file in files:
                name_there = _placed(file, files)
                if name_there in there and not overwrite:
                    continue
                temporary = target / f".{name_there}.{os.getpid()}.tmp"
                shutil.copyfile(source / file, temporary)
                os.replace(temporary, target / name_there)
    except OSError as problem:
        raise OutputError(
            "the demonstration's input could not be placed",
            where=target,
            found=problem,
            mend="choose another folder, or check its permission and the room on its disk",
        ) from problem
    return target / SITE_FILE


def _placed(file: str, files: Sequence[str]) -> str:
    """Name of a file of the site where it is placed: every site file has the same, so that pages can name it."""
    return SITE_FILE if file == files[0] else file


@click.command()
@click.option(
    "--site",
    "name",
    type=click.Choice([*SITES, *MADE]),
    default="yard",
    show_default=True,
    help="floodplain is an invented fence on real ground; all others are invented.",
)
@click.option("--until", metavar="STEP", help="Run the whole job up to this step alone; gaps ends with the verdicts.")
@click.option("--input-only", is_flag=True, help="Place the site's files in DIR/input and run nothing.")
@output_options
def demo(options: PlanOptions, name: str, until: str | None, input_only: bool) -> None:
    """Run the whole job on a demonstration site of the package, or place its input alone."""
    from geotools.cli import run_steps

    steps = _steps_until(until)
    if options.dry_run:
        with _source(name) as source:
            run_steps(source / (SITES | MADE)[name][0], options, steps=steps)
        return
    site_file = place_demo_input(options.out, overwrite=options.overwrite, name=name)
    if not input_only:
        run_steps(site_file, options, steps=steps)
    elif options.as_json:
        click.echo(json.dumps({"event": "finished", "site": str(site_file.resolve())}))
    elif not options.quiet:
        files = (SITES | MADE)[name]
        click.echo(f"Written: {', '.join(_placed(file, files) for file in files)} in {site_file.parent}")
        click.echo(f"Next: geotools run {site_file} --out {options.out}")
