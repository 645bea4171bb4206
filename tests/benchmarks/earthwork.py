"""Earth moved against the plain practice, time of the programme, and a long perimeter with its proof.

`python -m tests.benchmarks.earthwork [saving|programme|long [METRES]]`; all but the long one without a word.

The plain practice: every place of the strip is cut or filled to the straight line between the feet of the two posts.
Goals: at least 60 % less earth over the demonstration, the real ground and ten generated sites, at the prone tolerance
of 0.075 m; one zone of 100 x 6 m at 0.5 m cells in 0.3 s; 10 km, proof included, in 60 s on two cores.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from geotools.corridor import BeamLine
from geotools.detection.chains import perimeter_of
from geotools.earthwork.design import grade_zones
from geotools.earthwork.from_plan import grade_settings, surface_over
from geotools.earthwork.limits import SightLine
from geotools.earthwork.programme import GradingRules, grade
from geotools.engine.runner import Job
from geotools.errors import InfeasibleError
from geotools.plan.schema import BEAMS, FENCE
from geotools.site import open_site
from geotools.terrain.cells import strip_cells
from tests.benchmarks.sites import write_site

TOLERANCE_M, HALF_M, CELL_M, BATTER_CELLS = 0.075, 3.0, 0.5, 4
#: How far the ends of the line may move: a low head at 0.30 m within 0.20 to 0.45 m.
REACH_M = (-0.10, 0.15)
ROOT = Path(__file__).parents[2]
FILES = {"demonstration": ROOT / "demo_data/site.toml", "real ground": ROOT / "tests/data/floodplain.toml"}


def strip_of(ground, line: BeamLine) -> np.ndarray:
    """Levels of a strip at 0.5 m: the straight part of 6 m with room for the batters on both sides."""
    rows = max(round(line.length / CELL_M), 2)
    across = round(2 * HALF_M / CELL_M) + 2 * BATTER_CELLS
    along = (np.arange(rows) + 0.5) * line.length / rows
    side = ((across - 1) / 2 - np.arange(across)) * CELL_M
    return ground.sample(*line.to_map(along[:, None], side[None, :]))


def one_zone(level: np.ndarray, free: bool, rules: GradingRules) -> tuple[float, float, float]:
    """Plain practice, least earthwork (both m3, under the beam and with batters), and seconds of the programme."""
    cells = strip_cells(level, CELL_M)
    length = level.shape[0] * CELL_M
    under = np.flatnonzero((np.abs(cells.place[:, 1]) <= HALF_M) & cells.movable)
    t = cells.place[under, 0] / length
    middle = level[:, level.shape[1] // 2 - 1 : level.shape[1] // 2 + 1].mean(axis=1)
    ends = (float(middle[0]), float(middle[-1]))
    plain = float(np.abs(cells.ground[under] - ends[0] - t * (ends[1] - ends[0])).sum() * cells.area)
    reach = tuple((e + (REACH_M[0] if free else 0.0), e + (REACH_M[1] if free else 0.0)) for e in ends)
    k = np.full(len(under), TOLERANCE_M)
    started = time.perf_counter()
    made = grade(cells, [SightLine("zone", under, t, k, k, ends, reach)], rules)
    return plain, made.cut_m3 + made.fill_m3, time.perf_counter() - started


class Generated:
    """Rough ground of random waves, 8 to 90 m long, with swales and crests; invented."""

    cell_m = CELL_M

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        n = 12
        self.waves = (rng.uniform(0.01, 0.06, n), rng.uniform(8, 90, n), rng.uniform(0, np.pi, n), rng.uniform(0, 6, n))
        self.humps = (rng.uniform(-0.4, 0.35, 4), rng.uniform(20, 480, 4), rng.uniform(2, 8, 4))
        self.fall = rng.uniform(-0.01, 0.01, 2)

    def sample(self, x, y):
        z = 100 + self.fall[0] * x + self.fall[1] * y
        for a, length, azimuth, phase in zip(*self.waves, strict=True):
            z = z + a * np.sin(2 * np.pi * (x * np.cos(azimuth) + y * np.sin(azimuth)) / length + phase)
        for depth, at, width in zip(*self.humps, strict=True):
            z = z + depth * np.exp(-(((x + 0.2 * y - at) / width) ** 2))
        return z


def sites(folder: Path):
    """Name, ground and beam lines of the twelve sites."""
    for name, path in (
        ("demonstration", ROOT / "demo_data/site.toml"),
        ("real ground", ROOT / "tests/data/floodplain.toml"),
    ):
        with Job(open_site(path), folder / name.replace(" ", "_")) as job:
            job.run("inspect")
            job.run("layout")
            perimeter = perimeter_of(job.site, job.workspace.read(BEAMS), job.terrain)
            yield name, job.terrain, [z.line for z in perimeter.zones.values()]
    for seed in range(10):
        lines = [BeamLine(100.0 * k, 10.0 * seed, 100.0 * (k + 1), 10.0 * seed) for k in range(5)]
        yield f"generated {seed}", Generated(seed), lines


def saving() -> None:
    # equal prices: then the least cost is the least earth. Slopes as the site file's default.
    rules = GradingRules(max_slope=0.33)
    totals = np.zeros(3)
    print(f"{'site':<16}{'zones':>6}{'plain m3':>10}{'heads fixed':>13}{'saved':>7}{'heads free':>12}{'saved':>7}")
    with tempfile.TemporaryDirectory() as folder:
        for name, ground, lines in sites(Path(folder)):
            sums = np.zeros(3)
            impossible = 0
            for line in lines:
                level = strip_of(ground, line)
                try:
                    plain, fixed, _ = one_zone(level, False, rules)
                    _, free, _ = one_zone(level, True, rules)
                except InfeasibleError:
                    impossible += 1  # a ditch or crest that cannot tie in beside 6 m of straight ground
                    continue
                sums += plain, fixed, free
            totals += sums
            row(name, len(lines) - impossible, sums, f"  ({impossible} without answer)" if impossible else "")
    row("all", 0, totals, "")
    proven_saving()


def row(name: str, zones: int, sums: np.ndarray, more: str) -> None:
    plain, fixed, free = sums
    print(
        f"{name:<16}{zones or '':>6}{plain:>10.1f}{fixed:>13.1f}{1 - fixed / plain:>7.0%}"
        f"{free:>12.1f}{1 - free / plain:>7.0%}{more}"
    )


def proven_saving() -> None:
    """What the tool itself moves, clear by the wave model, against the plain practice in the same zones."""
    print("\nproven by the wave model, zones with dead ground only, 2 m straight under the beam:")
    for name, path in (
        ("demonstration", ROOT / "demo_data/site.toml"),
        ("real ground", ROOT / "tests/data/floodplain.toml"),
    ):
        with tempfile.TemporaryDirectory() as folder, Job(open_site(path), Path(folder) / "out") as job:
            job.run("inspect")
            job.run("layout")
            perimeter = perimeter_of(job.site, job.workspace.read(BEAMS), job.terrain)
            perimeter.solve_all()
            surface = surface_over(job.site, perimeter, job.terrain)
            zones = [z for i, z in perimeter.zones.items() if any(d.any() for d in perimeter.dead(i).values())]
            graded, _ = grade_zones(perimeter, surface, zones, grade_settings(job.site, job.workspace.read(FENCE)))
            moved = surface.change.size_of() * surface.cell_m**2
            plain = 0.0
            for zone in zones:
                rows = max(round(zone.line.length / 0.5), 2)
                along = (np.arange(rows) + 0.5) * zone.line.length / rows
                side = (np.arange(4) - 1.5) * 0.5
                level = job.terrain.sample(*zone.line.to_map(along[:, None], side[None, :]))
                foot = job.terrain.profile(zone.line, [0.0, zone.line.length])
                straight = foot[0] + along / zone.line.length * (foot[1] - foot[0])
                plain += float(np.abs(level - straight[:, None]).sum() * zone.line.length / rows * 0.5)
            clear = sum(g.clear for g in graded)
            print(
                f"  {name}: {len(graded)} zones, {clear} clear; {moved:.1f} m3 with batters "
                f"against {plain:.1f} m3 without, {1 - moved / plain:.0%} less"
            )


def programme() -> None:
    """Median time of the programme for one zone of 100 x 6 m at 0.5 m cells, all of it under the beam."""
    rules = GradingRules(max_slope=0.33)
    seconds, sizes = [], []
    for seed in range(10):
        level = strip_of(Generated(seed), BeamLine(0.0, 0.0, 100.0, 0.0))
        for free in (False, True):
            seconds.append(one_zone(level, free, rules)[2])
        sizes.append(level.size)
    print(f"programme, {sizes[0]} cells: median {np.median(seconds):.3f} s, worst {max(seconds):.3f} s")


def long(perimeter_m: float = 10_000.0) -> None:
    with tempfile.TemporaryDirectory() as folder:
        site = open_site(write_site(Path(folder) / "input", perimeter_m))
        with Job(site, Path(folder) / "out") as job:
            job.run("inspect")
            job.run("layout")
            started = time.perf_counter()
            perimeter = perimeter_of(site, job.workspace.read(BEAMS), job.terrain)
            perimeter.solve_all()
            surface = surface_over(site, perimeter, job.terrain)
            zones = [z for i, z in perimeter.zones.items() if any(d.any() for d in perimeter.dead(i).values())]
            graded, _ = grade_zones(perimeter, surface, zones, grade_settings(site, job.workspace.read(FENCE)))
            seconds = time.perf_counter() - started
            clear = sum(g.clear for g in graded)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{perimeter_m:g} m, {len(perimeter.zones)} zones, {len(zones)} graded, {clear} clear on the design: "
                f"{seconds:.1f} s, peak memory {peak:.0f} MB"
            )
            for g in graded:
                if not g.clear:
                    print(f"  {g.zone.zone_id}: {g.dead_after_m:.1f} m left; {g.grading.reason}")


if __name__ == "__main__":
    words = sys.argv[1:]
    if not words or words[0] == "programme":
        programme()
    if not words or words[0] == "saving":
        saving()
    if words and words[0] == "long":
        long(*(float(word) for word in words[1:]))
