"""What remedy calls clear, applied and asked again: counts over invented sites, the demonstration and real ground.

`python -m tests.evidence.applied docs/evidence` writes docs/evidence/applied.txt; it ends with 1 where a claim fails.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, union_all
from shapely.affinity import translate

import geotools
from geotools.cli.demo import demo_folder
from geotools.earthwork.applied import apply_proposal
from geotools.engine.runner import Job
from geotools.plan.schema import BEAMS, HEADS, ZONES
from tests.evidence.applied_sites import SITES, STAGGERED, Invented

DATA = Path(__file__).parents[1] / "data"


@dataclass(frozen=True)
class Claims:
    """What was claimed of one site, and what the run on the proposed state found.

    Attributes
    ----------
    name : str
        The site.
    zones : int
        Zones with dead spots.
    claimed : dict of str to list of str
        Zones called clear, with the zones that each becomes.
    broken : dict of str to float
        Dead length found in them all the same, m.
    other : dict of str to tuple
        Of the rest: dead length told, and found, m.
    opened : dict of str to float
        Dead length found in zones that had none, m.
    spots : dict of str to str
        Dead spots called closed in the advice, where somebody gets through at the same place of the proposed state.
    """

    name: str
    zones: int
    claimed: dict[str, list[str]]
    broken: dict[str, float]
    other: dict[str, tuple[float, float]]
    opened: dict[str, float]
    spots: dict[str, str]

    @property
    def understated(self) -> dict[str, tuple[float, float]]:
        """Zones not called clear in which more is dead than was stated, m."""
        return {zone: (told, seen) for zone, (told, seen) in self.other.items() if not seen <= told + 1e-3}

    @property
    def holds(self) -> bool:
        """Whether nothing that was claimed of the site is wrong."""
        return not (self.broken or self.understated or self.spots)


def move_posts(site: geotools.Site, out: Path, sideways_m: float) -> None:
    """Set every second zone's posts off to its left, as a person does in a GIS: heads, and beams with them."""
    with Job(site, out, overwrite=True) as job:
        heads, beams, zones = (job.workspace.read(schema) for schema in (HEADS, BEAMS, ZONES))
        chosen = set(zones.sort_values(["fence_id", "number"]).zone_id[1::2])
        for zone_id in chosen:
            (x0, y0), (x1, y1) = (
                beams[beams.zone_id == zone_id].geometry.iloc[0].coords[0][:2],
                beams[beams.zone_id == zone_id].geometry.iloc[0].coords[-1][:2],
            )
            length = float(np.hypot(x1 - x0, y1 - y0))
            dx, dy = -(y1 - y0) / length * sideways_m, (x1 - x0) / length * sideways_m
            for frame in (heads, beams):
                mine = frame.zone_id == zone_id
                frame.loc[mine, "geometry"] = [translate(shape, dx, dy) for shape in frame.geometry[mine]]
        job.workspace.write({HEADS: heads, BEAMS: beams})


def dead_by_zone(plan: Path) -> dict[str, float]:
    """Length along each zone that is dead for any threat, m, from the layer dead_spots."""
    spots = gpd.read_file(plan, layer="dead_spots")
    found = {}
    for zone, mine in spots.groupby("zone_id"):
        runs = [LineString([(a, 0.0), (b, 0.0)]) for a, b in zip(mine.from_m, mine.to_m, strict=True)]
        found[str(zone)] = float(union_all(runs).length)
    return found


def claims_of(name: str, plan: Path, proposed: Path) -> Claims:
    """Compare what the options of a plan claim with the dead spots of the proposed state."""
    options = gpd.read_file(plan, layer="options")
    heads = gpd.read_file(plan, layer="proposed_heads")
    parts = heads.groupby("stands_for").zone_id.unique().map(list).to_dict()
    found = dead_by_zone(proposed)
    taken = options[options.recommended.astype(bool)]
    claimed = {z: parts[z] for z in taken.zone_id[taken.clear.astype(bool)]}
    broken = {z: dead for z, names in claimed.items() if (dead := sum(found.get(n, 0.0) for n in names)) > 0}
    rest = taken[~taken.clear.astype(bool)]
    other = {
        row.zone_id: (
            float("nan") if pd.isna(row.dead_after_m) else float(row.dead_after_m),
            sum(found.get(n, 0.0) for n in parts[row.zone_id]),
        )
        for row in rest.itertuples()
    }
    asked = {part for zone in taken.zone_id for part in parts[zone]}
    opened = {zone: dead for zone, dead in found.items() if zone not in asked}
    return Claims(name, len(taken), claimed, broken, other, opened, spots_called_closed(plan, proposed, parts))


def spots_called_closed(plan: Path, proposed: Path, parts: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """Advice that calls a dead spot closed, and the spot found on it: the same threat, in a zone that it has become."""
    advice, before, after = (
        gpd.read_file(path, layer=layer)
        for path, layer in ((plan, "advice"), (plan, "dead_spots"), (proposed, "dead_spots"))
    )
    area_of = before.set_index("spot_id").geometry
    wrong = {}
    for row in advice[advice.clear.astype(bool)].itertuples():
        mine = after[after.zone_id.isin(parts[row.zone_id]) & (after.threat == row.threat)]
        on_it = mine[mine.intersection(area_of[row.spot_id]).area > 0.01]
        if len(on_it):
            wrong[row.spot_id] = ", ".join(on_it.spot_id)
    return wrong


def applied(name: str, site_file: Path, folder: Path, sideways_m: float = 0.0) -> Claims:
    """Lay out, find gaps, advise, apply, and find gaps again, by the ordinary steps."""
    site, out = geotools.open_site(site_file), folder / "out"
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, out)
    if sideways_m:
        move_posts(site, out, sideways_m)
    for step in ("gaps", "remedy"):
        geotools.run_step(step, site, out)
    made = apply_proposal(site, out, folder / "proposed")
    geotools.run_step("gaps", geotools.open_site(made.site_file), made.plan.parent)
    return claims_of(name, out / "plan.gpkg", made.plan)


def applied_invented(case: Invented, folder: Path) -> Claims:
    """The same for an invented site."""
    return applied(case.name, case.write(folder / "site"), folder, case.sideways_m)


def line_of(found: Claims) -> str:
    """One line of the table."""
    broken = "; ".join(f"{zone} {dead:.1f} m" for zone, dead in found.broken.items()) or "none"
    other = "; ".join(f"{z} {told:.1f} told, {seen:.1f} found" for z, (told, seen) in found.other.items())
    opened = "; ".join(f"{zone} {dead:.1f} m" for zone, dead in found.opened.items())
    spots = "; ".join(f"{mine} by {seen}" for mine, seen in found.spots.items())
    rest = "".join(
        f"   {word}: {said}" for word, said in (("rest", other), ("opened", opened), ("spots", spots)) if said
    )
    return f"{found.name:<34} {found.zones:>5} {len(found.claimed):>6}  {broken}{rest}"


def main(folder: Path) -> int:
    """Write the counts; the number of sites on which a claim fails."""
    work = Path(tempfile.mkdtemp())
    lines = [
        "What remedy calls clear, applied and run again (python -m tests.evidence.applied docs/evidence)",
        f"geotools {geotools.__version__}. Zones: with dead spots; clear: those that the options call clear; broken:",
        "dead metres that the run on the proposed state finds in those. Rest: zones not called clear, dead length",
        "that remedy states of the proposed state, and found there; nothing is done where no option clears a zone.",
        "A claim is broken too by more dead metres than stated, and by a dead spot that the advice calls closed and",
        "that is found again (spots).",
        "",
        f"{'site':<34} {'zones':>5} {'clear':>6}  broken",
    ]
    every: list[Claims] = []
    try:
        for number, case in enumerate((*SITES, STAGGERED)):
            every.append(applied_invented(case, work / str(number)))
            lines.append(line_of(every[-1]))
            print(lines[-1], flush=True)
        for name, source in (("demonstration", demo_folder() / "site.toml"), ("floodplain", DATA / "floodplain.toml")):
            shutil.copytree(source.parent, work / name / "site", ignore=shutil.ignore_patterns("lidar"))
            every.append(applied(name, work / name / "site" / source.name, work / name))
            lines.append(line_of(every[-1]))
            print(lines[-1], flush=True)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    failed = sum(not found.holds for found in every)
    zones, clear = sum(found.zones for found in every), sum(len(found.claimed) for found in every)
    lines += [
        "",
        f"{len(every)} sites, {zones} zones with dead spots, {clear} called clear; {failed} sites break a claim.",
    ]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "applied.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(lines[-1])
    return failed


if __name__ == "__main__":
    sys.exit(1 if main(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/evidence")) else 0)
