"""Works taken from gaps to sheets, then flooded and disturbed: counts over the demonstration, real and invented ground.

`python -m tests.evidence.works docs/evidence` writes docs/evidence/works.txt; it ends with 1 where a claim fails.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
from scipy import ndimage
from shapely import get_coordinates
from skimage.morphology import reconstruction

import geotools
from geotools.cli.demo import demo_folder
from geotools.detection.chains import perimeter_of
from geotools.earthwork.disturb import KINDS, State, Tolerances, disturb
from geotools.earthwork.from_plan import design_of
from geotools.earthwork.proposal import proposed_zones
from geotools.engine.runner import Job
from geotools.plan.schema import OPTIONS, PROPOSED_HEADS, WATER_CROSSINGS
from geotools.terrain.design import DesignSurface
from tests.evidence.hilly import HILLY
from tests.evidence.swales import SWALES

DATA = Path(__file__).parents[1] / "data"
DRAWS = 100
POND_M3 = 0.05


@dataclass
class Counts:
    """What came of one site.

    zones : that needed a remedy. clear : of those, clear in the run as proposed. ways : for water that are built.
    draws, broken : disturbed states of zones called clear, and those in which somebody gets through. ponds : volume of
    each new pond, m3. without : water that would stand if no way for it were built, m3. seconds : of remedy.
    """

    name: str
    zones: int = 0
    clear: int = 0
    ways: int = 0
    draws: int = 0
    broken: dict[str, int] = field(default_factory=dict)
    ponds: list[float] = field(default_factory=list)
    without: float = 0.0
    seconds: float = 0.0

    @property
    def holds(self) -> bool:
        """Whether nothing that was claimed is wrong."""
        return not self.broken and not self.ponds

    def line(self) -> str:
        """One line of the table."""
        broken = ", ".join(f"{n} by {kind}" for kind, n in self.broken.items()) or "0"
        ponds = ", ".join(f"{v:.2f} m3" for v in self.ponds) or "0"
        return (
            f"{self.name:<16} {self.zones:>5} {self.clear:>6} {self.ways:>5} {self.draws:>6} {self.without:>9.2f}  "
            f"{self.seconds / max(self.zones, 1):>6.1f}  {broken:<24} {ponds}"
        )


def standing(level: np.ndarray) -> np.ndarray:
    """Depth of the water that stands on a ground, m, by scikit-image's reconstruction: not by the code under test."""
    seed = np.full(level.shape, level.max())
    seed[[0, -1], :], seed[:, [0, -1]] = level[[0, -1], :], level[:, [0, -1]]
    return reconstruction(seed, level, method="erosion", footprint=np.ones((3, 3))) - level


def look(job: Job, counts: Counts) -> None:
    """Flood and disturb what remedy proposed."""
    read, site = job.workspace.read, job.site
    before = perimeter_of(site, read, job.terrain)
    surface = design_of(site, before, job.terrain, job.out, job.workspace.plan_crs)
    proposed = proposed_zones(site, before, read(PROPOSED_HEADS))
    options = read(OPTIONS)
    taken = options[options.recommended.astype(bool)].set_index("zone_id")
    counts.zones, counts.clear = len(taken), int(taken.clear.sum())
    ways = read(WATER_CROSSINGS)
    counts.ways = len(ways)
    rained = Rained(job, surface)
    counts.without, counts.ponds = sum(rained.new_ponds(ways[:0])), rained.new_ponds(ways)
    stands = before.with_zones(proposed, surface)
    stands.solve_all()
    t = site.grading
    tolerances = Tolerances(t.build_tolerance_m, t.settlement_m, t.head_tolerance_m)
    for zone_id in taken.index[taken.clear.astype(bool)]:
        rng = np.random.default_rng(sum(map(ord, zone_id)))
        for zone in proposed[zone_id]:
            strip = surface.blank().strip_cells({zone.zone_id: zone.line}, t.under_m + t.batter_m)
            change = surface.change_at(strip.x, strip.y)
            kinds = KINDS if (np.abs(change) > 1e-3).any() else ("heads",)
            state = State((zone,), strip, strip.cells.ground + change)
            for number in range(DRAWS // len(proposed[zone_id])):
                kind = kinds[number % len(kinds)]
                drawn = disturb(state, kind, rng, tolerances)
                trial = surface.around(strip)
                trial.apply(strip, drawn.design)
                own = stands.modulation(drawn.zones[0], stands.strip(zone.zone_id, trial))
                counts.draws += 1
                if stands.dead_length(zone.zone_id, stands.dead(zone.zone_id, own)) > 0.0:
                    counts.broken[kind] = counts.broken.get(kind, 0) + 1


class Rained:
    """The whole terrain of a job as existing and as proposed, flooded by an independent method.

    Parameters
    ----------
    job : the terrain's. surface : the proposed works.
    """

    def __init__(self, job: Job, surface: DesignSurface) -> None:
        terrain, self.cell = job.terrain, surface.cell_m
        x0, y0, x1, y1 = terrain.bounds_m
        x = np.arange(x0 + self.cell / 2, x1, self.cell)[None, :]
        y = np.arange(y1 - self.cell / 2, y0, -self.cell)[:, None]
        xx, yy = np.broadcast_arrays(x, y)
        ground = terrain.sample(xx, yy)
        inside = np.isfinite(ground)
        rows, columns = np.flatnonzero(inside.all(axis=1)), np.flatnonzero(inside.any(axis=0))
        part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        ground = np.where(np.isfinite(ground), ground, np.nanmin(ground))[part]
        self._proposed = ground + surface.change_at(xx[part], yy[part])
        self._left, self._top = float(xx[part][0, 0]) - self.cell / 2, float(yy[part][0, 0]) + self.cell / 2
        self._stood = standing(ground)

    def new_ponds(self, ways: gpd.GeoDataFrame) -> list[float]:
        """Water that stands only on the proposed ground with these ways kept open, m3 of each pond."""
        after = self._proposed.copy()
        for way in ways.itertuples():
            (ax, ay), (bx, by) = get_coordinates(way.geometry)[[0, -1]]
            for share in np.linspace(0, 1, int(np.hypot(bx - ax, by - ay) / self.cell * 4) + 2):
                c = int((ax + share * (bx - ax) - self._left) // self.cell)
                r = int((self._top - ay - share * (by - ay)) // self.cell)
                after[r, c] = min(after[r, c], way.inlet_m + share * (way.outlet_m - way.inlet_m))
        more = np.clip(standing(after) - self._stood, 0.0, None)
        labels, count = ndimage.label(more > 1e-4, np.ones((3, 3)))
        volumes = ndimage.sum_labels(more, labels, np.arange(1, count + 1)) * self.cell**2
        return sorted((float(v) for v in np.atleast_1d(volumes) if v > POND_M3), reverse=True) if count else []


def worked(name: str, site_file: Path, out: Path) -> Counts:
    """From the site file to the works, by the ordinary steps."""
    counts = Counts(name)
    with Job(geotools.open_site(site_file), out, overwrite=True) as job:
        for step in ("inspect", "layout", "gaps"):
            job.run(step)
        began = time.process_time()
        job.run("remedy")
        counts.seconds = time.process_time() - began
        for step in ("grade", "drain", "stakeout"):
            job.run(step)
        look(job, counts)
    return counts


def main(folder: Path) -> int:
    """Write the counts; 1 where a claim fails."""
    work = Path(tempfile.mkdtemp())
    lines = [
        "Works as proposed, flooded and disturbed (python -m tests.evidence.works docs/evidence)",
        f"geotools {geotools.__version__}. Zones: with dead spots. Clear: those called clear as proposed. Ways: for",
        f"water, built. Draws: {DRAWS} for each zone called clear (levels off by the tolerance of building, cell by",
        "cell, in patches of 4 and 8 m, all low, all high; fill settled; heads off their height), of which broken:",
        f"somebody gets through. Ponds: new ones above {POND_M3} m3 on the whole terrain, existing against proposed",
        "with the ways kept open, by scikit-image's reconstruction; without: what would stand if no way were built,",
        "m3. s: remedy, CPU seconds a zone.",
        "",
        f"{'site':<16} {'zones':>5} {'clear':>6} {'ways':>5} {'draws':>6} {'without':>9}  {'s':>6}  "
        f"{'broken':<24} ponds",
    ]
    every: list[Counts] = []
    try:
        for name, source in (("demonstration", demo_folder() / "site.toml"), ("floodplain", DATA / "floodplain.toml")):
            shutil.copytree(source.parent, work / name / "site", ignore=shutil.ignore_patterns("lidar"))
            every.append(worked(name, work / name / "site" / source.name, work / name / "out"))
            lines.append(every[-1].line())
            print(lines[-1], flush=True)
        for case in (HILLY, *SWALES):
            every.append(worked(case.name, case.write(work / case.name / "site"), work / case.name / "out"))
            lines.append(every[-1].line())
            print(lines[-1], flush=True)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    failed = sum(not found.holds for found in every)
    draws, broken = sum(c.draws for c in every), sum(sum(c.broken.values()) for c in every)
    ponds = sum(len(c.ponds) for c in every)
    lines += [
        "",
        f"{len(every)} sites, {sum(c.zones for c in every)} zones, {sum(c.clear for c in every)} called clear; "
        f"{draws} draws, {broken} broken; {ponds} new ponds; {failed} sites break a claim.",
    ]
    print(lines[-1])
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "works.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
