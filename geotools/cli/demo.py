"""The invented demonstration site, as it lies in the distribution."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from geotools.errors import OutputError

FILES = ("site.toml", "fence.geojson", "movers.geojson", "terrain.tif")
INPUT_FOLDER = "input"


def demo_folder() -> Path:
    """Folder of the demonstration's files: inside an installed package, else beside it in a checkout."""
    inside = Path(__file__).parents[1] / "demo_data"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "demo_data"


def place_demo_input(out: Path, *, overwrite: bool) -> Path:
    """Copy the demonstration's input into ``out/input`` and give back the site file's path.

    OutputError where there is something already and ``overwrite`` was not given, or the folder cannot be written.
    """
    target = out / INPUT_FOLDER
    there = [name for name in FILES if (target / name).exists()]
    if (out / "plan.gpkg").exists() and not overwrite:
        raise OutputError(
            "the output folder holds a plan already",
            where=out,
            found="plan.gpkg",
            mend="add --overwrite to replace it, or choose another folder",
        )
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            if name in there and not overwrite:
                continue
            temporary = target / f".{name}.{os.getpid()}.tmp"
            shutil.copyfile(demo_folder() / name, temporary)
            os.replace(temporary, target / name)
    except OSError as problem:
        raise OutputError(
            "the demonstration's input could not be placed",
            where=target,
            found=problem,
            mend="choose another folder, or check its permission and the room on its disk",
        ) from problem
    return target / "site.toml"
