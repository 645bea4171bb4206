"""What a layout comes to on paper: verdicts, cables, the bill and the commissioning book, for the page on layouts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
from pypdf import PdfReader

from geotools.detection.verdict_rows import named_as_judged
from geotools.engine.runner import Job

__all__ = ["PAPERS", "figures", "sentences", "take_through"]

#: Steps from the verdicts to the bill and the book, in the order of a whole run.
PAPERS = ("cameras", "remedy", "stakeout", "routes", "walktest", "commission", "upkeep", "bill")
_VERDICTS = ("detected", "unproven", "undetected", "no_beam")


def take_through(job: Job) -> None:
    """Run them; what one of them warns of is in the plan's layers."""
    for step in PAPERS:
        job.run(step)


def figures(out: Path) -> dict[str, Any]:
    """What the plan and its files say, after the steps."""
    steps = json.loads((out / "summary.json").read_text())["steps"]
    routes, bill = steps["routes"], steps["bill"]
    laid, crossed = (gpd.read_file(out / "plan.gpkg", layer=layer) for layer in ("routes", "route_crossings"))
    crossed = crossed[crossed["route_id"].isin(laid.loc[laid["laid"], "route_id"])]
    return {
        "lower": {way["threat"] for way in steps["gaps"]["passes_lower"]},
        "verdicts": steps["gaps"]["verdicts"],
        "trench_m": routes["trench_m"],
        "drop": routes["worst_drop_share"],
        "beyond": routes["posts_beyond"],
        "without_way": routes["posts_without_way"],
        "crossings": crossed["kind"].value_counts().to_dict(),
        "lost": routes["most_heads_lost"],
        "bill": bill["total"],
        "placeholders": bill["at_placeholders"],
        "pages": len(PdfReader(out / "commission.pdf").pages),
    }


def sentences(found: dict[str, Any], currency: str = "EUR") -> list[str]:
    """Those figures as lines of Markdown."""
    verdicts = found["verdicts"]
    heads = [f"{name.replace('_', ' ')}, m" for name in _VERDICTS]
    lines = [f"| threat | {' | '.join(heads)} |", "|" + " --- |" * 5]
    for threat, lengths in verdicts.items():
        lines.append(
            f"| {named_as_judged(threat, found['lower'])} | "
            + " | ".join(f"{lengths[name]:.1f}" for name in _VERDICTS)
            + " |"
        )
    way = f"; {found['without_way']} posts without a way" if found["without_way"] else ""
    beyond = f"; {found['beyond']} posts beyond the largest drop allowed" if found["beyond"] else ""
    drop = "no voltage reaches some posts" if found["drop"] is None else f"worst voltage drop {found['drop']:.1%}"
    crossed = ", ".join(f"{count} x {kind}" for kind, count in found["crossings"].items()) or "none"
    lines += [
        "",
        f"Cables: {found['trench_m']:.0f} m of trench, crossings {crossed}; {drop}{beyond}{way}; one cut trench loses "
        f"up to {found['lost']} heads.",
        "",
        f"Bill: {found['bill']:,.0f} {currency}, of which {found['placeholders']:,.0f} at placeholder prices: good for "
        "seeing the form alone.",
        "",
        f"Commissioning book: {found['pages']} pages.",
        "",
    ]
    return lines
