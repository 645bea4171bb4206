"""What the trade knows of these beams; crawl gap against dips; a field to look at."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from geotools.beam import HEAD_TYPES, TARGETS, Beam, solve_beam, solve_beams
from geotools.beam.grid import choose_grid
from geotools.beam.sweep import sweeps
from tests.evidence.grounds import LENGTH, X
from tests.evidence.page import Section

TABLE = tomllib.loads((Path(__file__).parents[1] / "reference" / "beam" / "trade_tables.toml").read_text())
M0 = TABLE["threshold"]


def trade(folder: Path) -> Section:
    section = Section("What the trade knows")
    section.say(
        f"Common practice, no source. One threshold, m0 = {M0:g}, for all rows; {LENGTH:g} m of flat ground; largest "
        "modulation over a straight crossing."
    )
    figure = Figure(figsize=(9, 3.6))
    panels = figure.subplots(1, 2, sharey=True)
    for axes, target in zip(panels, ("crawl", "prone"), strict=True):
        for name, height in (("10 GHz", 0.91), ("10 GHz", 0.30), ("24 GHz", 0.30)):
            field = solve_beam(HEAD_TYPES[name], X, 0 * X, height, height)
            axes.plot(X, field.peak_modulation(TARGETS[target], 2.0), label=f"{name} at {height} m")
        axes.axhline(M0, color="k", lw=0.8, ls=":")
        axes.set(xlabel="chainage, m", title=f"{target}, flat ground")
        axes.legend(fontsize=7)
    panels[0].set_ylabel("modulation")
    section.picture(folder, "trade.png", figure, "Modulation along a zone; the dotted line is the threshold")
    rows, wrong = [], 0
    for case in TABLE["case"]:
        field = solve_beam(HEAD_TYPES[case["head"]], X, 0 * X, case["height_m"], case["height_m"])
        m = field.peak_modulation(TARGETS[case["target"]], 2.0)
        inside = (case["from_heads_m"] <= X) & (LENGTH - case["from_heads_m"] >= X)
        share = float((m[inside] >= M0).mean())
        met = share == (1.0 if case["detected"] else 0.0)
        wrong += not met
        low, high = m[inside].min(), m[inside].max()
        span = f"{case['from_heads_m']:g} m off the heads inwards"
        rows.append(
            [case["text"], span, f"{low:.2f} to {high:.2f}", f"{100 * share:.0f} %", "yes" if met else "**no**"]
        )
    section.table(["the trade says", "where", "modulation", "detected", "so found"], rows)
    section.check("rows that come out otherwise", wrong, 0, "", "common practice, no source")
    factor = TABLE["straightness"]["about_factor"]
    off = 0.0
    for name, height, target in (("10 GHz", 0.91, "crawl"), ("24 GHz", 0.30, "prone")):
        allowed = TABLE["straightness"][f"{target}_m"]
        depths = np.round(np.arange(0.02, 0.5, 0.005), 3)
        first = next(d for d in depths if _missed(name, height, target, d))
        section.say(
            f"The shallowest dip that lets a {target} threat pass under {name} heads at {height} m is {first:.3f} m "
            f"deep (rule: {allowed:g} m)."
        )
        off = max(off, first / allowed, allowed / first)
    section.check(
        "shallowest dip against the straight-edge check, ratio", off, factor, "", "common practice, no source"
    )
    lengths = []
    for height in TABLE["near_head"]["heights_m"]:
        seen = solve_beam(HEAD_TYPES["10 GHz"], X, 0 * X, height, height).peak_modulation(TARGETS["crawl"], 2.0) >= M0
        lengths.append(float(X[int(np.argmax(seen))]))
    heights = TABLE["near_head"]["heights_m"]
    section.table(["height of the heads, m", *map(str, heights)], [["dead before a head (crawl), m", *lengths]])
    falls = sum(b <= a for a, b in pairwise(lengths))
    section.check("higher heads without a longer dead spot", falls, 0, "", "common practice, no source")
    return section


def mirror(folder: Path) -> Section:
    section = Section("How much the mirror matters")
    section.say(
        "The plan's steps take the ground as a perfect mirror, the limit of both polarisations at grazing incidence. "
        "Here the trade's cases are solved again with Fresnel's coefficients for a relative permittivity of 15 "
        "(damp soil, common practice)."
    )
    rows, turned, largest = [], 0, 0.0
    for case in TABLE["case"]:
        head, height, target = HEAD_TYPES[case["head"]], case["height_m"], TARGETS[case["target"]]
        inside = (case["from_heads_m"] <= X) & (LENGTH - case["from_heads_m"] >= X)
        found = []
        for polarisation in (None, "horizontal", "vertical"):
            (field,) = solve_beams([Beam(head, X, 0 * X, height, height, polarisation=polarisation)], single=False)
            found.append(field.peak_modulation(target, 2.0)[inside])
        for other in found[1:]:
            turned += int(((other >= M0) != (found[0] >= M0)).any())
            largest = max(largest, float(np.abs(other - found[0]).max()))
        cells = [f"{m.min():.3f} to {m.max():.3f}" for m in found]
        rows.append([f"{case['head']} at {height:g} m, {case['target']}", *cells])
    section.table(["case", "perfect mirror", "horizontal", "vertical"], rows)
    section.check(
        "cases that turn from detected to undetected or back", turned, 0, "", "Fresnel's coefficients, permittivity 15"
    )
    section.say(f"Modulation moves by {largest:.3f} at most.")
    return section


def _missed(name: str, height: float, target: str, depth: float) -> bool:
    for centre in (20.0, 35.0, 50.0):
        for half in (3.0, 6.0):
            ground = -depth * np.exp(-(((X - centre) / half) ** 2))
            seen = solve_beam(HEAD_TYPES[name], X, ground, height, height).peak_modulation(TARGETS[target], 2.0) >= M0
            if not seen[np.abs(X - centre) < half].all():
                return True
    return False


def gap_table(folder: Path) -> Section:
    section = Section("Crawl gap against dip depth and width")
    section.say(
        f"Largest crawl gap in a dip of the form depth * exp(-((x - 50) / half width)^2) at mid-span of {LENGTH:g} m, "
        f"body 0.50 m wide, threshold {M0:g}. A hands-and-knees crawl is 0.70 m high, a prone body 0.30 m. Before the "
        "dip, on flat ground, the gap is that of the first column."
    )
    depths = [0.0, 0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.60]
    widths = [1.0, 2.0, 4.0, 8.0, 16.0]
    figure = Figure(figsize=(10, 3.8))
    panels = figure.subplots(1, 2)
    for axes, (name, height) in zip(panels, (("10 GHz", 0.91), ("24 GHz", 0.30)), strict=True):
        head = HEAD_TYPES[name]
        beams = [Beam(head, X, -d * np.exp(-(((X - 50.0) / w) ** 2)), height, height) for w in widths for d in depths]
        gaps = []
        for field, (w, _) in zip(solve_beams(beams), [(w, d) for w in widths for d in depths], strict=True):
            gap = field.detection_floor(0.5, M0, half_width_m=2.0) - field.ground_m
            gaps.append(float(gap[np.abs(X - 50.0) <= max(w, 1.0)].max()))
        grid = np.array(gaps).reshape(len(widths), len(depths))
        section.say(f"**{name} heads at {height} m**")
        section.table(
            ["half width, m \\ depth, m", *(f"{d:g}" for d in depths)],
            [[f"{w:g}", *(f"{g:.2f}" for g in row)] for w, row in zip(widths, grid, strict=True)],
        )
        image = axes.imshow(grid, aspect="auto", cmap="viridis", vmin=0, vmax=1.0)
        axes.set_xticks(range(len(depths)), [f"{d:g}" for d in depths])
        axes.set_yticks(range(len(widths)), [f"{w:g}" for w in widths])
        for i in range(len(widths)):
            for j in range(len(depths)):
                ink = "k" if grid[i, j] > 0.6 else "w"
                axes.text(j, i, f"{grid[i, j]:.2f}", ha="center", va="center", color=ink, fontsize=7)
        axes.set(xlabel="depth, m", ylabel="half width, m", title=f"{name} at {height} m")
        figure.colorbar(image, ax=axes, label="crawl gap, m")
    section.picture(folder, "gap_table.png", figure, "Largest crawl gap in a dip at mid-span")
    return section


def picture_of_a_field(folder: Path) -> Section:
    section = Section("A field to look at")
    section.say(
        "Transmitter's field (level against its largest at that chainage) and share of the signal over a swale 0.35 m "
        "deep and a crest 0.30 m high, 24 GHz heads at 0.30 m. The white line is the detection floor."
    )
    head, height = HEAD_TYPES["24 GHz"], 0.30
    ground = -0.35 * np.exp(-(((X - 30) / 5) ** 2)) + 0.3 * np.exp(-(((X - 70) / 8) ** 2))
    beam = Beam(head, X, ground, height, height)
    grid = choose_grid(beam, X, ground, None, None)
    seen = np.abs(sweeps([beam], [grid], [0.0], single=False)[:, 0, 0])
    field = solve_beam(head, X, ground, height, height)
    floor = field.detection_floor(0.5, M0, half_width_m=2.0)
    heights = np.arange(0, 1.5, 0.01)
    share = np.abs(field.share_below(np.tile(heights, (X.size, 1))))
    figure = Figure(figsize=(9, 5.6))
    upper, lower = figure.subplots(2, 1, sharex=True)
    z = np.arange(grid.size) * grid.dz
    level = 20 * np.log10(seen / seen.max(axis=1, keepdims=True) + 1e-9)
    for axes, values, at, limits, words in (
        (upper, level, z, (-30, 0), "transmitter's field, dB"),
        (lower, share, heights, (0, 1), "share of the signal below"),
    ):
        keep = at < 1.5
        xx = np.repeat(X[:, None], keep.sum(), axis=1)
        image = axes.pcolormesh(
            xx,
            ground[:, None] + at[keep],
            values[:, keep],
            vmin=limits[0],
            vmax=limits[1],
            cmap="magma",
            shading="gouraud",
        )
        figure.colorbar(image, ax=axes, label=words)
        axes.fill_between(X, -0.5, ground, color="0.5")
        axes.plot(X, np.where(floor - ground < 1.4, floor, np.nan), "w-", lw=1)
        axes.plot([0, LENGTH], [ground[0] + height, ground[-1] + height], "c.", ms=8)
        axes.set(ylim=(-0.45, 1.4), ylabel="elevation, m")
    lower.set_xlabel("chainage, m")
    section.picture(folder, "field.png", figure, "Field and share of the signal over a swale and a crest")
    return section
