"""The manual page of the Python call, made from the declarations and the docstrings."""

from __future__ import annotations

import inspect
from typing import Any

from geotools.cli.markdown import cell, table
from geotools.earthwork.proposed_state import apply
from geotools.engine.docstrings import example, function_name, param_type, returned, signature
from geotools.engine.result import Plan, open_plan
from geotools.engine.step import Step, discover
from geotools.io.raster import Raster
from geotools.plan.schema import LAYERS
from geotools.site import Site

__all__ = ["python_call", "python_page"]

_INTRO = """\
# From Python

Every step is a function: frames in, frames out, without a folder or a file.

```python
import geopandas
import geotools

fence = geopandas.read_file("fence.gpkg")
site  = geotools.Site.from_frames(fence, dtm="dtm.tif", threats=["crawl", "prone"])
plan  = geotools.layout(site)                 # plan.zones, plan.heads, plan.beams: GeoDataFrames
found = geotools.gaps(site, plan)             # found.dead_spots: a GeoDataFrame; found.crawl_gap: a raster
found.dead_spots.explore("threat", tiles=None)
found.to_folder("job")                        # plan.gpkg and the files beside it, for the GIS
```

- **A call never changes what it is given.** It gives back a new [plan](#plan): the layers it was given with those it
  made.
- **What a step needs and the plan does not hold is made first**, with the steps' defaults; `notes` say what.
- **Edits are input.** Change a frame (`plan.heads.loc[0, "height_m"] = 0.45`), or put another in its place
  (`plan.with_layers(heads=edited)`); the next call brings up to date what stands on it. Layers that are out of date
  warn when they are looked at; `stale` names their steps.
- **What weakens an answer is a warning** of the class `geotools.GeotoolsWarning`, of the line that called, so that
  `warnings.filterwarnings` can silence it or make it an error. `plan.warnings` holds the texts.
- **Errors** are those of the command line: `error.what`, `.where`, `.found`, `.expected`, `.mend`.
- **A plan of the command line or the GIS** is read with `geotools.open_plan("job")`.
- Maps by `explore()` need the package `folium`; give `tiles=None` and no map server learns where the site is.
  The page of such a map fetches its program code from the network.

A [notebook](tutorials/notebook.md) does the demonstration's job.
"""


def python_call(step: Step) -> str:
    """The call as it is typed, with the defaults."""
    plain = [p.replace(annotation=inspect.Parameter.empty) for p in signature(step).parameters.values()]
    return f"geotools.{function_name(step)}{inspect.Signature(plain)}"


def _step(step: Step) -> list[str]:
    out = [f"## {function_name(step)} {{ #{function_name(step)} }}", "", cell(step.summary), ""]
    out += ["```python", python_call(step), "```", ""]
    if step.params:
        rows = [(f"`{p.name}`", cell(param_type(p)), cell(p.help)) for p in step.params]
        out.append(table(("parameter", "type, range, default", "meaning"), rows))
    if returned(step):
        out += ["Adds to the plan:", ""]
    for name, kind, words in returned(step):
        link = f"[`{name}`](manual/layers.md#{name})" if name in LAYERS and kind != "Raster" else f"`{name}`"
        out.append(f"- {link}, {cell(kind)}: {cell(words)}")
    out += ["", "```pycon", *example(step).splitlines(), "```", ""]
    return [*out, f"[What it does](manual/steps/{step.name}.md)", ""]


def _documented(name: str, thing: Any) -> list[str]:
    return ["```text", name, "", *(inspect.getdoc(thing) or "").splitlines(), "```", ""]


def python_page() -> str:
    """The page: how it goes, sites, plans, rasters, and a section for each step."""
    out = [_INTRO, "# Site { #site }", ""]
    out += _documented("geotools.Site.from_frames(fence, dtm, *, name, keep_outs, gates, **settings)", Site.from_frames)
    out += ["A site file is read with `geotools.open_site(path)`; [its settings](manual/site-file.md).", ""]
    out += ["# Plan { #plan }", "", *_documented("geotools.Plan", Plan)]
    for method in ("with_layers", "edited", "to_folder", "to_gpkg"):
        out += _documented(f"Plan.{method}{inspect.signature(getattr(Plan, method))}", getattr(Plan, method))
    out += _documented("geotools.open_plan(folder)", open_plan)
    out += ["# The proposed state { #apply }", "", *_documented("geotools.apply(site, plan)", apply)]
    out += ["# Raster { #raster }", "", *_documented("geotools.Raster(array, transform, crs, names, units)", Raster)]
    for method in ("open", "band", "plot", "to_file"):
        out += _documented(f"Raster.{method}{inspect.signature(getattr(Raster, method))}", getattr(Raster, method))
    out += ["# The steps { #steps }", ""]
    for step in discover().values():
        out += _step(step)
    return "\n".join(out)
