"""The page on layouts: eight sites laid out, given channels and examined, from a fresh run.

`python -m tests.evidence.layouts docs` writes docs/layouts.md and its pictures. The demonstration, the L-shaped site
and the airport-like loop are invented; the floodplain is real ground (tests/data/README.md) with an invented fence.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from PIL import Image
from shapely import Point, Polygon

import geotools
from geotools.cli.demo import demo_folder
from geotools.engine.runner import Job
from tests.evidence.designed_sites import double_fence, l_yard, long_line, substation
from tests.evidence.invented_sites import fence_file, site_file, terrain_file
from tests.evidence.papers import figures, sentences, take_through

DATA = Path(__file__).parents[1] / "data"
#: Two zones that turn by more than this meet at a corner.
CORNER_DEG = 10.0
#: A dead spot this near to a corner's posts is the corner's.
NEAR_M = 8.0

#: Sites that are taken on to the bill, the cable routes and the commissioning book.
DESIGNED = (substation, double_fence, long_line, l_yard)

HEAD = """# Layouts

Eight sites laid out, given channels and examined with the wave model; the first four as a designer meets them, taken
through cameras, remedy, cable routes, bill of quantities and commissioning book as well. This page is written by
`python -m tests.evidence.layouts docs` from a fresh run. All but the last are invented; the floodplain is
[real ground](real-ground.md) with an invented fence. Grey areas in the pictures are roads, which beams cross and on
which no post stands, and buildings.

A corner, where two zones meet at more than {turn:g} degrees, is **closed** for a threat where no dead spot
of that threat lies within {near:g} m of it; where one does, the corner is open and named below, and each such dead spot
is a row of the layer `dead_spots`.

Prices, voltage, power of a head and most figures of equipment are placeholders of this toolkit: sums and voltage
drops show what is worked out, not what a site costs. Resistances of conductors are those of IEC 60228, from memory:
verify.
**Unproven** is ground that is detected by the best estimate, but not with the confidence asked for; the survey of
these sites is invented with an accuracy of 0.06 m.
"""


def l_shaped(folder: Path) -> Path:
    """Two fences that are not parallel, round an L, beams midway."""
    terrain_file(folder / "terrain.tif", (420, 380), 0.5, 0.05)
    outer = [(20, 20), (400, 20), (400, 180), (200, 180), (200, 360), (20, 360), (20, 20)]
    inner = [(30, 29), (389, 31), (391, 171), (190, 169), (192, 349), (29, 351), (30, 29)]
    fence_file(folder / "fence.gpkg", [outer, inner])
    return site_file(folder, "L-shaped double fence", '[layout]\nside = "between"\n')


def airport(folder: Path) -> Path:
    """A loop of 12 km with long sides, blunt kinks and rounded corners."""
    terrain_file(folder / "terrain.tif", (5500, 2200), 1.0, 0.08)
    rough = [(300, 750), (960, 320), (2790, 280), (5030, 450), (5330, 750), (5340, 1230), (4900, 1600), (3520, 1670)]
    rough += [(3370, 2030), (2460, 2080), (2300, 1710), (960, 1580), (430, 1340), (300, 750)]
    rounded = Polygon(rough).buffer(-40).buffer(80, quad_segs=12).buffer(-40, quad_segs=12).exterior
    fence_file(folder / "fence.gpkg", [list(rounded.coords)])
    return site_file(folder, "Airport-like loop", "[layout]\nsetback_m = 4.0\nclear_m = 12.0\n")


def demonstration(folder: Path) -> Path:
    """The demonstration site."""
    shutil.copytree(demo_folder(), folder, dirs_exist_ok=True)
    return folder / "site.toml"


def floodplain(folder: Path) -> Path:
    """Real ground."""
    shutil.copytree(DATA, folder, dirs_exist_ok=True)
    return folder / "floodplain.toml"


def corners(plan: Path) -> list[tuple[str, Point]]:
    """Name and place of every corner: where neighbouring zones of a fence turn."""
    zones = gpd.read_file(plan, layer="zones").set_index("zone_id").sort_values(["fence_id", "number"])
    beams = gpd.read_file(plan, layer="beams").drop_duplicates("zone_id").set_index("zone_id").geometry
    found = []
    for _, group in zones.groupby("fence_id"):
        names = list(group.index)
        # the line of each zone in the fence's direction
        lines = []
        for name in names:
            xy = np.asarray(beams[name].coords)[:, :2]
            lines.append(xy if group.loc[name, "start_role"] == "transmitter" else xy[::-1])
        for place, name in enumerate(names):
            after = (place + 1) % len(names)
            if after == 0 and np.hypot(*(lines[-1][-1] - lines[0][0])) > 50:
                continue  # an open line ends here
            one, two = (np.arctan2(*(line[-1] - line[0])) for line in (lines[place], lines[after]))
            turn = np.degrees(abs((two - one + np.pi) % (2 * np.pi) - np.pi))
            if turn > CORNER_DEG:
                found.append((f"{name} / {names[after]}", Point((lines[place][-1] + lines[after][0]) / 2)))
    return found


def examine(site_file: Path, out: Path, *, papers: bool) -> dict[str, Any]:
    """Run the steps and gather what the table says; with ``papers``, through to the bill and the book."""
    with Job(geotools.open_site(site_file), out) as job:
        for step in ("inspect", "layout", "channels"):
            job.run(step)
        job.run("gaps", uncertainty=papers)
        if papers:
            take_through(job)
        name = job.site.name
    plan = out / "plan.gpkg"
    summary = json.loads((out / "summary.json").read_text())["steps"]
    spots, conflicts, heads = (gpd.read_file(plan, layer=layer) for layer in ("dead_spots", "conflicts", "heads"))
    places = corners(plan)
    open_at = {
        threat: [corner for corner, p in places if (spots[spots["threat"] == threat].distance(p) < NEAR_M).any()]
        for threat in ("walk", "crawl", "prone")
    }
    return {
        "name": name,
        "fence_m": summary["inspect"]["fence_length_m"],
        "zones": summary["layout"]["zones"],
        "heads": len(heads),
        "channels": int(heads["channel"].nunique()),
        "margin_db": float(heads["margin_db"].min()),
        "corners": len(places),
        "open": open_at,
        "dead": summary["gaps"]["dead_length_m"],
        "papers": [*sentences(figures(out)), *off_line(plan)] if papers else [],
        "conflicts": [
            f"{row.rule} ({row.zone_id}): found {row.found}, required {row.expected}; {row.mend}"
            for row in conflicts.itertuples()
        ],
    }


def off_line(plan: Path) -> list[str]:
    """Beams that do not stand on the line asked for, and why, as the layer standoffs says, as lines of Markdown."""
    stood = gpd.read_file(plan, layer="standoffs")
    off = [(row.zone_id, row.why.split("; ")[1]) for row in stood.itertuples()]
    told = [f"- {zone}: {why}" for zone, why in off if " off the line " in why]
    return ["Beams off the line that was asked for:", "", *(told or ["- none"]), ""]


def rows(found: list[dict[str, Any]]) -> list[str]:
    """The sites as a Markdown table."""
    lines = [
        "| site | fence, m | zones | heads | channels | least margin, dB | corners | open to walk | crawl | prone |"
    ]
    lines.append("|" + " --- |" * 10)
    for site in found:
        gaps = " | ".join(str(len(site["open"][threat])) for threat in ("walk", "crawl", "prone"))
        lines.append(
            f"| {site['name']} | {site['fence_m']:.0f} | {site['zones']} | {site['heads']} | {site['channels']} | "
            f"{site['margin_db']:.1f} | {site['corners']} | {gaps} |"
        )
    return [*lines, ""]


def main(docs: Path) -> None:
    """Lay out all and write the page."""
    found, lines = [], [HEAD.format(near=NEAR_M, turn=CORNER_DEG)]
    sheets = []
    for make in (*DESIGNED, demonstration, l_shaped, airport, floodplain):
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "input").mkdir()
            site = examine(make(Path(folder) / "input"), Path(folder) / "out", papers=make in DESIGNED)
            picture = f"evidence/layout-{make.__name__.replace('_', '-')}.png"
            with Image.open(Path(folder) / "out" / "plan.png") as plan:
                plan.convert("RGB").quantize(256, method=Image.Quantize.FASTOCTREE).save(docs / picture, optimize=True)
        found.append(site)
        sheets += [f"## {site['name']}", "", f"![Plan of the zones and heads of {site['name']}]({picture})", ""]
        sheets += site["papers"]
        sheets += [f"Dead length: {', '.join(f'{t} {m:g} m' for t, m in site['dead'].items())}.", ""]
        listed = sorted({corner for names in site["open"].values() for corner in names})
        sheets += [f"Open corners, each a row of `dead_spots`: {', '.join(listed) or 'none'}.", ""]
        told = site["conflicts"]
        sheets += ["Conflicts that the layout lists:", "", *(f"- {text}" for text in told[:12] or ["none"]), ""]
        if len(told) > 12:
            sheets += [f"- and {len(told) - 12} more in the layer `conflicts`", ""]
    lines += rows(found) + sheets + ["A model is no acceptance: walk-test every zone.", ""]
    (docs / "layouts.md").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
