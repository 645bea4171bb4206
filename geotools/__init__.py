"""Finds where a person could crawl under the microwave beams of a perimeter, and what to do about it.

The public API in one screen::

    site = geotools.open_site("site.toml")
    geotools.run(site, "out")                       # the whole job
    geotools.run_step("gaps", site, "out2", method="straightness")
    geotools.steps()                                # every step, built in or plugged in

Everything heavy is loaded when it is first used, so importing the package is quick.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geotools.engine.runner import Outcome
    from geotools.engine.step import Step
    from geotools.site import Site

__version__ = "0.1.0"
__all__ = ["__version__", "open_site", "run", "run_step", "steps"]


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
    from geotools.engine.runner import run_site

    return run_site(site, Path(out), overwrite=overwrite)


def run_step(name: str, site: Site, out: Path | str, *, overwrite: bool = False, **params: Any) -> Outcome:
    """Run one step on the plan in ``out``; ``params`` are the step's own, as its manual lists them."""
    from geotools.engine.runner import Job

    with Job(site, Path(out), overwrite=overwrite) as job:
        return job.run(name, **params)
