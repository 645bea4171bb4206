"""Whether this machine has what the toolkit needs, and what to send with a bug report; no site is looked at."""

from __future__ import annotations

import json
import os
import platform
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from configparser import RawConfigParser
from dataclasses import asdict, dataclass
from importlib import import_module
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Literal

import click

from geotools import __version__

DISTRIBUTION = "geotools-perimeter"
#: What is good to have, for what, and what is missed without it: extra, modules, words.
EXTRAS = (
    ("lidar", ("laspy", "lazrs"), "`geotools terrain` on lidar files (LAS, LAZ)"),
    ("cluster", ("distributed",), "`geotools run --scheduler` and `geotools batch --scheduler`"),
    ("notebook", ("folium", "mapclassify"), "maps of a plan in a notebook"),
)
_ROOM = 1 << 30
_MEMORY = 1 << 30
State = Literal["ok", "note", "broken"]


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at.

    state : ok; note, where something optional is missing or worth knowing; broken, where steps cannot run.
    """

    about: str
    state: State
    found: str
    mend: str = ""


def findings(folder: Path, profile: Path | None = None) -> Iterator[Finding]:
    """Everything that is looked at, in the order it is shown.

    Parameters
    ----------
    folder : Path
        Where results are to be written.
    profile : Path, optional
        Profile folder of the desktop GIS; the default profile if not given.
    """
    yield Finding("toolkit", "ok", f"{DISTRIBUTION} {__version__}")
    yield Finding("Python", "ok", f"{platform.python_version()} on {platform.system()} {platform.machine()}")
    yield from _libraries()
    yield from _maps()
    yield from _extras()
    yield from _steps()
    yield _writable("folder for results", folder)
    yield _writable("folder for temporary files", Path(tempfile.gettempdir()))
    yield _processors()
    yield _memory()
    yield from _gis(profile)


def _version_or_none(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def _required() -> list[str]:
    """Names of the distributions that are always needed, as the installed package declares them."""
    try:
        declared = requires(DISTRIBUTION) or []
    except PackageNotFoundError:
        return []
    return [m[0] for line in declared if "extra ==" not in line and (m := re.match(r"[\w.-]+", line))]


def _libraries() -> Iterator[Finding]:
    found = {name: _version_or_none(name) for name in _required()}
    missing = sorted(name for name, held in found.items() if held is None)
    words = ", ".join(f"{name} {held}" for name, held in sorted(found.items()) if held is not None)
    if not found:
        yield Finding("libraries", "note", "the package is not installed, it runs from its source folder")
    else:
        yield Finding("libraries", "ok", words)
    if missing:
        mend = f"install the toolkit again in this environment: {sys.executable} -m pip install ."
        yield Finding("libraries missing", "broken", f"{', '.join(missing)}: no step runs without them", mend)


def _maps() -> Iterator[Finding]:
    """The libraries under the Python ones, each tried for its version and a minimal piece of its work."""
    asked: dict[str, Callable[[], str]] = {
        "GDAL (rasters)": _gdal,
        "GDAL (vectors)": _ogr,
        "PROJ": _proj,
        "GEOS": _geos,
    }
    for name, ask in asked.items():
        try:
            yield Finding(name, "ok", ask())
        except Exception as problem:
            mend = "another program's data may stand in the way: unset GDAL_DATA, PROJ_DATA and PROJ_LIB, try again"
            yield Finding(name, "broken", f"{type(problem).__name__}: {problem}", mend)


def _gdal() -> str:
    import rasterio

    with rasterio.Env() as env:
        if "GTiff" not in env.drivers():
            raise LookupError("no driver for GeoTIFF")
    return str(rasterio.__gdal_version__)


def _ogr() -> str:
    import pyogrio

    if "w" not in pyogrio.list_drivers(write=True).get("GPKG", ""):
        raise LookupError("no driver that writes GeoPackage")
    return ".".join(map(str, pyogrio.__gdal_version__))


def _proj() -> str:
    import pyproj

    east, _ = pyproj.Transformer.from_crs(4326, 32632, always_xy=True).transform(9.0, 48.0)
    if abs(east - 500_000.0) > 0.01:
        raise ArithmeticError("the central meridian of UTM zone 32 does not lie at 500,000 m east")
    return str(pyproj.proj_version_str)


def _geos() -> str:
    import shapely

    return str(shapely.geos_version_string)


def _extras() -> Iterator[Finding]:
    for extra, modules, words in EXTRAS:
        missing = []
        for name in modules:
            try:
                import_module(name)
            except Exception:
                missing.append(name)
        if missing:
            mend = f'only if you need it: {sys.executable} -m pip install ".[{extra}]"'
            yield Finding(f"extra {extra}", "note", f"{', '.join(missing)} missing: no {words}", mend)
        else:
            yield Finding(f"extra {extra}", "ok", words)


def _steps() -> Iterator[Finding]:
    from geotools.engine.step import BUILT_IN, discover
    from geotools.errors import StepError

    try:
        found = discover()
    except StepError as problem:
        yield Finding("steps", "broken", str(problem), "repair or uninstall the distribution that offers the step")
        return
    others = [name for name in found if name not in BUILT_IN]
    yield Finding("steps", "ok", f"{len(BUILT_IN)} built in; plugged in: {', '.join(others) or 'none'}")


def _writable(about: str, folder: Path) -> Finding:
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        with tempfile.NamedTemporaryFile(dir=place, prefix=".geotools-") as tried:
            tried.write(b"x")
            tried.flush()
        free = shutil.disk_usage(place).free
    except OSError as problem:
        return Finding(about, "broken", f"cannot be written: {problem.strerror}", "choose another folder with --out")
    words = f"can be written, {free / (1 << 30):.1f} GB free"
    if free < _ROOM:
        return Finding(
            about, "note", words, "make room: a plan of some kilometres with its files takes up to a gigabyte"
        )
    return Finding(about, "ok", words)


def _processors() -> Finding:
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    words = f"{usable} of {os.cpu_count() or usable}"
    return Finding("processors", "ok", words + ("; a second process takes its share of the work" if usable > 1 else ""))


def _memory() -> Finding:
    try:
        total = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return Finding("memory", "note", "this system does not say how much there is")
    words = f"{total / (1 << 30):.1f} GB"
    if total < _MEMORY:
        return Finding("memory", "note", words, "enough for a yard; a line of many kilometres takes up to 1 GB")
    return Finding("memory", "ok", words)


def _gis(profile: Path | None) -> Iterator[Finding]:
    from geotools.gis.install import PLUGIN_NAME, default_profile

    program = next((path for name in ("qgis", "qgis_process") if (path := shutil.which(name))), None)
    if program is None:
        yield Finding("desktop GIS", "note", "QGIS not found on the path", "only if you want to run steps in the GIS")
    else:
        yield Finding("desktop GIS", "ok", Path(program).name)
    about = (profile or default_profile()) / "python" / "plugins" / PLUGIN_NAME / "metadata.txt"
    held = RawConfigParser()
    try:
        read = held.read(about, encoding="utf-8")
        stands = held.get("general", "version") if read else None
    except Exception as problem:
        yield Finding(
            "plugin", "note", f"unreadable: {type(problem).__name__}", "geotools gis-plugin install --overwrite"
        )
        return
    if stands is None:
        yield Finding("plugin", "note", "not installed in the profile", "geotools gis-plugin install")
    elif stands != __version__:
        mend = "geotools gis-plugin install --overwrite, then start the GIS again"
        yield Finding("plugin", "note", f"version {stands}, the toolkit is {__version__}", mend)
    else:
        yield Finding("plugin", "ok", f"version {stands}, as the toolkit")


_MARK = {"ok": "ok     ", "note": "note   ", "broken": "BROKEN "}


@click.command()
@click.option("--out", "-o", type=click.Path(path_type=Path), default=Path(), help="Folder that results are to go to.")
@click.option("--profile", type=click.Path(path_type=Path), help="Profile folder of the GIS. [the default profile]")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
@click.pass_context
def doctor(ctx: click.Context, out: Path, profile: Path | None, as_json: bool) -> None:
    """Say what is installed, what is missing and which part needs it, for a bug report.

    Names no file, folder or figure of a site.
    """
    from geotools.errors import StepError

    ctx.find_root().obj = {"json": as_json}
    found = list(findings(out, profile))
    home = str(Path.home())
    found = [Finding(f.about, f.state, f.found.replace(home, "~"), f.mend.replace(home, "~")) for f in found]
    if as_json:
        click.echo(json.dumps({"event": "doctor", "findings": [asdict(f) for f in found]}))
    else:
        width = max(len(f.about) for f in found)
        for f in found:
            click.echo(f"{_MARK[f.state]}{f.about:<{width}}  {f.found}")
            if f.mend:
                click.echo(f"{'':<{width + 9}}-> {f.mend}")
        if any(f.state == "note" for f in found):
            click.echo("Notes stop nothing: they are about what is optional.")
        click.echo(
            "With a bug report send this, the command and its error message; leave names and data of the site out."
        )
    if any(f.state == "broken" for f in found):
        ctx.exit(StepError.exit_code)
