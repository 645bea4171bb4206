"""Commands beside the steps: a new site file, the desktop GIS's plugin."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from geotools.cli.options import WriteOptions, packed


@click.command()
@click.argument("site_file", metavar="SITE.toml", type=click.Path(path_type=Path))
@click.option("--name", required=True, help="Name of the site.")
@click.option("--fence", required=True, type=click.Path(path_type=Path), help="Vector file with the fence lines.")
@click.option("--terrain", required=True, type=click.Path(path_type=Path), help="Raster with the ground's height.")
@click.option(
    "--threat", "threats", multiple=True, help="Threat that the site must detect; once for each. [walk, crawl, prone]"
)
@click.option("--fence-layer", help="Layer of the fence file, where it has several.")
@click.option("--fence-crs", help="Coordinate system of the fence file, where it names none.")
@click.option("--terrain-crs", help="Coordinate system of the raster, where it names none.")
@click.option("--plan-crs", help="Projected system of the plan, where fence and terrain are geographic.")
@click.option(
    "--vertical-unit",
    type=click.Choice(["metre", "foot", "US survey foot"]),
    help="Unit of the raster's heights, where the file does not say it.",
)
@click.option(
    "--vertical-accuracy-m",
    type=float,
    help="Vertical accuracy of the raster, 95 %, as its supplier states it; without it nothing counts as detected.",
)
@click.option(
    "--side",
    type=click.Choice(["inside", "outside", "left", "right", "between"]),
    help="Side of the fence the beams stand on; left or right, along the line as drawn, for an open one. [inside]",
)
@click.option(
    "--set",
    "settings",
    metavar="SECTION.NAME=VALUE",
    multiple=True,
    help="Another setting of the site file, such as detection.threshold=0.25; once for each.",
)
@click.option(
    "--if-sound", is_flag=True, help="Write nothing where the inspection of fence and terrain refuses what it finds."
)
@click.option("--no-inspect", is_flag=True, help="Leave out the inspection of fence and terrain at the end.")
@click.option("--overwrite", is_flag=True, help="Replace a site file that is there already.")
@click.option("--dry-run", is_flag=True, help="Check everything and print the file; write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors.")
@packed(WriteOptions)
def new(
    options: WriteOptions,
    /,
    site_file: Path,
    name: str,
    fence: Path,
    terrain: Path,
    threats: tuple[str, ...],
    **inputs: Any,
) -> None:
    """Write a site file that names every setting, with its default, unit and range, and inspect fence and terrain.

    What the inspection refuses ends the command with its message; the site file stands and can be mended, unless
    --if-sound is given.
    """
    from geotools.cli.new_site import inspected, new_site_text, write_site
    from geotools.site import open_site, parse_site

    side, no_inspect, if_sound = inputs.pop("side"), inputs.pop("no_inspect"), inputs.pop("if_sound")
    settings: tuple[str, ...] = inputs.pop("settings")
    if side is not None:
        settings = (f"layout.side={side}", *settings)
    text = new_site_text(
        site_file, name=name, fence=fence, terrain=terrain, threats=threats, inputs=inputs, settings=settings
    )
    if options.dry_run:
        click.echo(json.dumps({"event": "dry-run", "text": text}) if options.as_json else text)
        return
    said = inspected(parse_site(text, site_file)) if if_sound else None
    write_site(site_file, text, overwrite=options.overwrite)
    if not (options.quiet or options.as_json):
        click.echo(f"Written: {site_file.resolve()}")
    notes, warnings = said or (([], []) if no_inspect else inspected(open_site(site_file)))
    if options.as_json:
        found = {"notes": notes, "warnings": warnings}
        click.echo(json.dumps({"event": "finished", "site": str(site_file.resolve()), **found}))
        return
    for text in [f"  warning: {one}" for one in warnings]:
        click.echo(text, err=True)
    if not options.quiet:
        from geotools.terrain.quality import ACCURACY_NOTED

        if inputs["vertical_accuracy_m"] is None and not any(ACCURACY_NOTED in one for one in notes):
            notes = [*notes, "set input.vertical_accuracy_m: without the terrain's accuracy nothing counts as detected"]
        click.echo("\n".join([*(f"  {one}" for one in notes), f"Next: geotools run {site_file} --out plan"]))


@click.group("gis-plugin")
def gis_plugin() -> None:
    """The plugin for the desktop GIS QGIS (3.22 or later): every step as a Processing algorithm."""


@gis_plugin.command("install")
@click.option(
    "--profile", type=click.Path(path_type=Path, file_okay=False), help="Profile folder. [the default profile]"
)
@click.option("--enable", is_flag=True, help="Switch it on as well; only while the GIS is not running.")
@click.option("--overwrite", is_flag=True, help="Replace a plugin that is there already.")
@click.option("--dry-run", is_flag=True, help="Say where it would go; write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors.")
@click.pass_context
def install(
    ctx: click.Context,
    /,
    profile: Path | None,
    enable: bool,
    overwrite: bool,
    dry_run: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Put the plugin into a profile of the desktop GIS."""
    from geotools.gis.install import PLUGIN_NAME, default_profile, enable_plugin, install_plugin

    ctx.find_root().obj = {"json": as_json}
    folder = profile or default_profile()
    target = folder / "python" / "plugins" / PLUGIN_NAME
    if not dry_run:
        target = install_plugin(folder, overwrite=overwrite)
        if enable:
            enable_plugin(folder)
    if as_json:
        click.echo(json.dumps({"event": "dry-run" if dry_run else "finished", "plugin": str(target)}))
    elif not quiet:
        click.echo(f"{'Would write' if dry_run else 'Written'}: {target}")
        if not enable:
            click.echo("In the GIS: Plugins, Manage and install plugins, Installed, tick Perimeter geotools.")


@gis_plugin.command("contract", short_help="Print what the plugin must know of the steps.")
def plugin_contract() -> None:
    """Print what the plugin must know of the steps, and the files and folders that it was made from."""
    from geotools.cli.contract import CONTRACT, contract_text
    from geotools.gis.plugin.environment import stamp

    here = Path.cwd()
    packages = [Path(folder) for folder in sys.path if folder]
    # where somebody works is no part of the environment, unless the package itself is there
    folders = [folder for folder in packages if folder.is_dir() and (folder != here or folder == CONTRACT.parents[2])]
    watched = {str(path): stamp(path) for path in (CONTRACT, Path(sys.executable), *folders)}
    click.echo(f'{{"watched": {json.dumps(watched)}, "contract": {contract_text()}}}')


@gis_plugin.command("zip", short_help="Write the plugin as a zip for the GIS or its public repository.")
@click.argument("archive", metavar="FILE.zip", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--homepage", metavar="URL", help="Address of the pages of whoever publishes the plugin.")
@click.option("--tracker", metavar="URL", help="Address where faults are reported.")
@click.option("--repository", metavar="URL", help="Address of the source.")
@click.option("--email", metavar="ADDRESS", help="Where the public repository of plugins writes to.")
@click.option("--overwrite", is_flag=True, help="Replace a file that is there already.")
@click.option("--dry-run", is_flag=True, help="Check the addresses and name the files; write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line instead of text.")
@click.option("--quiet", "-q", is_flag=True, help="Print only warnings and errors.")
@packed(WriteOptions)
def zipped(options: WriteOptions, /, archive: Path, **addresses: str | None) -> None:
    """Write the plugin as a zip for the GIS's "Install from ZIP" or for the public repository of its plugins.

    A plugin that was installed from a zip starts the command geotools that is on the path.
    """
    from geotools.gis.archive import Publisher, plugin_files, write_plugin_zip

    publisher = Publisher(**{name: given for name, given in addresses.items() if given is not None}).checked()
    if not options.dry_run:
        write_plugin_zip(archive, publisher, overwrite=options.overwrite)
    files = list(plugin_files(publisher))
    warnings = []
    if publisher.missing:
        told = ", ".join(f"--{name}" for name in publisher.missing)
        warnings = [
            f"not given: {told}; good for Install from ZIP, but the public repository asks for addresses that open"
        ]
    if options.as_json:
        said = {"event": "dry-run" if options.dry_run else "finished", "plugin": str(archive), "files": files}
        click.echo(json.dumps({**said, "warnings": warnings}))
        return
    for text in warnings:
        click.echo(f"  warning: {text}", err=True)
    if not options.quiet:
        click.echo(f"{'Would write' if options.dry_run else 'Written'}: {archive} ({', '.join(files)})")
