"""The page on real ground: the main job run on a real terrain model, with an invented fence, written from a fresh run.

`python -m tests.evidence.realground docs` writes docs/real-ground.md and its picture.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import rasterio
from matplotlib.colors import LightSource
from matplotlib.figure import Figure

import geotools
from geotools.engine.runner import run_site

DATA = Path(__file__).parents[1] / "data"
STEPS = ["inspect", "layout", "gaps", "heights", "remedy", "grade"]
PICTURE = "evidence/real-ground.png"

HEAD = """# Real ground

The main job on terrain of a real place. The fence is invented: nothing stands there. This page is written by
`python -m tests.evidence.realground docs` from a fresh run; the same site is run by `tests/test_real_ground.py`.

**Terrain.** Lower Brazos floodplain, Texas: columns and rows 1500 to 1899 of `example_data/input/LBR_025_dem.tif` in
the source distribution of the package `scrollstats` 0.1.5, MIT licence (kept beside the data in `tests/data/`).
1 m cells, EPSG:32139, metres, vertical datum unstated. There is no independent ground truth, so what counts here is
relative
undulation, never absolute height.

**To run it yourself:** `geotools run tests/data/floodplain.toml --out floodplain`
"""


def picture(out: Path, threat: str = "prone") -> Figure:
    """The corridor's best modulation over shaded terrain, with dead spots and weakest crossings."""
    with rasterio.open(DATA / "floodplain_1m.tif") as ground, rasterio.open(out / "corridor.tif") as corridor:
        shade = LightSource(315, 35).hillshade(ground.read(1), vert_exag=12)
        band = [str(name).endswith(f": {threat}") for name in corridor.descriptions].index(True) + 1
        seen = corridor.read(band, masked=True).filled(np.nan)
        boxes = [(b.left, b.right, b.bottom, b.top) for b in (ground.bounds, corridor.bounds)]
    figure = Figure(figsize=(8, 6.4), layout="constrained")
    axes = figure.subplots()
    axes.imshow(shade, cmap="gray", extent=boxes[0], vmin=-0.3, vmax=1.1)
    drawn = axes.imshow(seen, cmap="viridis", extent=boxes[1], vmin=0, vmax=0.6, interpolation="nearest")
    figure.colorbar(drawn, label=f"best modulation of a {threat} person (detection needs 0.2)", shrink=0.7)
    layers = {
        name: gpd.read_file(out / "plan.gpkg", layer=name) for name in ("fence", "dead_spots", "crossings", "zones")
    }
    layers["fence"].plot(ax=axes, color="black", lw=0.9, linestyle="-.")
    for name, look in (("dead_spots", {"lw": 1.6}), ("crossings", {"lw": 0.8})):
        mine = layers[name][layers[name]["threat"] == threat]
        (mine.boundary if name == "dead_spots" else mine).plot(
            ax=axes, color="black" if name == "dead_spots" else "white", **look
        )
    left, bottom, right, top = layers["zones"].total_bounds
    axes.set_xlim(left - 15, right + 15)
    axes.set_ylim(bottom - 15, top + 15)
    axes.ticklabel_format(useOffset=False, style="plain")
    axes.tick_params(labelsize=7)
    axes.set_xlabel("easting, m")
    axes.set_ylabel("northing, m")
    return figure


def table(found: dict) -> list[str]:
    """A step's closing table as Markdown."""
    rows = [found["columns"], ["---"] * len(found["columns"]), *found["rows"]]
    return [
        f"**{found['title'][0].upper()}{found['title'][1:]}**",
        "",
        *("| " + " | ".join(map(str, r)) + " |" for r in rows),
        "",
    ]


def main(docs: Path) -> None:
    """Run the site and write page and picture."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        run_site(geotools.open_site(DATA / "floodplain.toml"), out, steps=STEPS)
        steps = json.loads((out / "summary.json").read_text())["steps"]
        with mpl.rc_context({"svg.hashsalt": "real-ground"}):
            picture(out).savefig(docs / PICTURE, dpi=130, metadata={"Software": None})
    lines = [HEAD, f"![The corridor over shaded terrain]({PICTURE})", ""]
    lines += [
        "Dead spots are outlined in black, the weakest crossing of each zone is drawn in white.",
        "",
        "## What was found",
        "",
    ]
    for step in ("gaps", "remedy"):
        if "table" in steps[step]:
            lines += table(steps[step]["table"])
    lines += ["## What it said of the terrain", "", *(f"- {text}" for text in steps["inspect"]["warnings"]), ""]
    lines += ["A model is no acceptance: walk-test every zone.", ""]
    (docs / "real-ground.md").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
