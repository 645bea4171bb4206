"""Finds where a person could crawl under the microwave beams of a perimeter, and what to do about it.

The public API in one screen::

    site  = geotools.Site.from_frames(fence, dtm="dtm.tif", threats=["crawl", "prone"])
    plan  = geotools.layout(site)                   # plan.zones, plan.heads, plan.beams: GeoDataFrames
    found = geotools.gaps(site, plan)               # found.dead_spots: a GeoDataFrame; found.crawl_gap: a raster
    found.to_folder("job")                          # plan.gpkg and the files beside it

    geotools.run(geotools.open_site("site.toml"), "out")    # the whole job of a site file
    geotools.steps()                                # every step, built in or plugged in; each is a function

Everything heavy is loaded when it is first used, so importing the package is quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from geotools.engine.runner import Outcome
    from geotools.engine.step import Step
    from geotools.site import Site

__version__ = "0.2.0"
__all__ = [
    "GeotoolsWarning",
    "Plan",
    "Raster",
    "Site",
    "__version__",
    "apply",
    "open_plan",
    "open_site",
    "run",
    "run_step",
    "steps",
]

#: What is loaded when it is first needed, and where it is.
_LAZY = {
    "GeotoolsWarning": "geotools.errors",
    "Plan": "geotools.engine.result",
    "Raster": "geotools.io.raster",
    "Site": "geotools.site",
    "apply": "geotools.earthwork.proposed_state",
    "open_plan": "geotools.engine.result",
}


def open_site(path: Path | str) -> Site:
    """Read and validate a site file; InputError or SiteError name what is wrong."""
    from geotools.site import open_site as read

    return read(path)


def steps() -> dict[str, Step]:
    """Every step by name, built-in ones first."""
    from geotools.engine.step import discover

    return dict(discover())


def run(site: Site, out: Path | str, *, overwrite: bool = False) -> list[Outcome]:
    """Run the whole job on a site and write its plan into the folder ``out``."""
    from pathlib import Path

    from geotools.engine.runner import run_site

    return run_site(site, Path(out), overwrite=overwrite)


def run_step(name: str, site: Site, out: Path | str, *, overwrite: bool = False, **params: Any) -> Outcome:
    """Run one step on the plan in ``out``; ``params`` are the step's own, as its manual lists them."""
    from pathlib import Path

    from geotools.engine.runner import Job

    with Job(site, Path(out), overwrite=overwrite) as job:
        return job.run(name, **params)


def __getattr__(name: str) -> Any:
    """What is loaded late, and the function of every step; a part of the package is left to the import system."""
    from importlib import import_module
    from importlib.util import find_spec

    if name in _LAZY:
        return getattr(import_module(_LAZY[name]), name)
    if not name.startswith("_") and find_spec(f"geotools.{name}") is None:
        from geotools.engine.calls import functions

        if name in functions():
            return functions()[name]
    raise AttributeError(f"module 'geotools' has no attribute {name!r}")


def __dir__() -> list[str]:
    from geotools.engine.calls import functions

    return sorted({*globals(), *_LAZY, *functions()})
