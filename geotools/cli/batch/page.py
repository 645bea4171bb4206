"""The page of a batch: verdicts, warnings, worst place and report of every site, and all of them on one map."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path

import geopandas as gpd
import pyogrio

from geotools.cli.batch.site_labels import label_sites
from geotools.io.files import write_text
from geotools.plan.cautions import CAUTIONS
from geotools.plan.schema import FENCE, PROVENANCE, VERDICTS
from geotools.plan.schema.style import VERDICT_COLOURS

__all__ = ["PAGE_NAME", "WARNED", "write_page"]

PAGE_NAME = "batch.html"
#: Begins a warning among the notes of a step on record.
WARNED = "warning: "
_COLUMNS = {
    "site": "site",
    "state": "state",
    "detected_m": "detected, m",
    "unproven_m": "unproven, m",
    "undetected_m": "undetected, m",
    "no_beam_m": "no beam, m",
    "warnings": "warnings",
    "worst_place": "worst place",
    "problem": "problem",
}
_STYLE = (
    "body{font:15px/1.45 sans-serif;margin:2em auto;max-width:80em;padding:0 1em;color:#111}"
    "table{border-collapse:collapse;width:100%}th,td{border-bottom:1px solid #bbb;padding:.3em .5em;text-align:left;"
    "vertical-align:top}td.n{text-align:right;white-space:nowrap}img{max-width:100%}"
    "tr.failed td{background:#fbe3d6}.wide{overflow-x:auto}"
)
#: A site smaller than this share of the map is marked by a dot.
_DOT = 0.02
_ORDER = ("detected", "unproven", "undetected", "no_beam")


def _cell(row: Mapping[str, object], name: str) -> str:
    value = row.get(name)
    if value is None:
        return "<td></td>"
    if isinstance(value, float):
        return f'<td class="n">{value:,.1f}</td>'
    if isinstance(value, int):
        return f'<td class="n">{value}</td>'
    text = escape(str(value))
    report = row.get("report")
    if name == "site" and report:
        text = f'<a href="{escape(str(report), quote=True)}">{text}</a>'
    return f"<td>{text}</td>"


def _warnings(combined: Path) -> str:
    """What every site is warned of, step by step as its plan has it on record; empty where nothing is."""
    if PROVENANCE.name not in set(pyogrio.list_layers(combined)[:, 0]):
        return ""
    held = pyogrio.read_dataframe(combined, layer=PROVENANCE.name)
    found: dict[str, list[str]] = {}
    for row in held[held["notes"].notna()].itertuples():
        for line in str(row.notes).splitlines():
            if line.startswith(WARNED):
                found.setdefault(str(row.site), []).append(f"{row.step}: {line.removeprefix(WARNED)}")
    parts = [
        f"<h3>{escape(site)}</h3><ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>"
        for site, texts in found.items()
    ]
    return f"<h2>Warnings</h2>{''.join(parts)}" if parts else ""


def _map(combined: Path) -> str:
    """All sites as a picture for the page: fence lines by their worst verdict; empty where none has a fence."""
    layers = set(pyogrio.list_layers(combined)[:, 0])
    if FENCE.name not in layers:
        return ""
    fences = gpd.read_file(combined, layer=FENCE.name)
    said = gpd.read_file(combined, layer=VERDICTS.name) if VERDICTS.name in layers else None
    # drawing takes long to load, and whoever lists the commands does not draw
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    figure = Figure(figsize=(10, 6), layout="constrained")
    ax = figure.subplots()
    for shape in fences.geometry:
        ax.plot(*shape.xy, color="#777777", lw=0.8)
    if said is not None:
        said = said[(said["threat"] == "all") & said.geometry.notna()]
        for verdict in _ORDER:
            for shape in said.geometry[said["verdict"] == verdict]:
                ax.plot(*shape.xy, color=VERDICT_COLOURS[verdict], lw=2.5)
    x0, y0, x1, y1 = fences.total_bounds
    reach = max(x1 - x0, y1 - y0)
    sites: dict[str, tuple[float, float, float, float]] = {}
    for site, rows in fences.groupby("site"):
        west, south, east, north = map(float, rows.total_bounds)
        sites[str(site)] = west, south, east, north
    for a, b, c, d in sites.values():
        if max(c - a, d - b) < _DOT * reach:
            ax.plot((a + c) / 2, (b + d) / 2, "o", ms=7, mfc="none", mec="#111111")
    ax.set_aspect("equal" if fences.crs is None or fences.crs.is_projected else "auto")
    ax.set_xlabel(f"{'' if fences.crs is None else fences.crs.name}, {'map unit' if reach else ''}".strip(", "))
    ax.ticklabel_format(useOffset=False, style="plain")
    ax.margins(0.06)
    keys = [Line2D([], [], color=VERDICT_COLOURS[v], lw=2.5, label=v.replace("_", " ")) for v in _ORDER]
    figure.legend(handles=keys, loc="outside lower center", ncols=4, frameon=False)
    label_sites(ax, sites)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=130, metadata={"Software": None})
    data = base64.b64encode(stream.getvalue()).decode("ascii")
    names = ", ".join(dict.fromkeys(str(site) for site in fences["site"]))
    alt = escape(f"Map of {fences['site'].nunique()} sites: {names}", quote=True)
    return f'<h2>Map of all sites</h2><img alt="{alt}" src="data:image/png;base64,{data}">'


def write_page(out: Path, rows: Sequence[Mapping[str, object]], combined: Path) -> Path:
    """Write the page beside the table of outcomes.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    rows : sequence of mapping
        Of the table of outcomes.
    combined : Path
        GeoPackage of all sites.
    """
    head = "".join(f"<th>{escape(words)}</th>" for words in _COLUMNS.values())
    body = "".join(
        f'<tr class="{escape(str(row["state"]))}">{"".join(_cell(row, name) for name in _COLUMNS)}</tr>' for row in rows
    )
    sums = [sum(value for row in rows if isinstance(value := row.get(f"{name}_m"), float)) for name in _ORDER]
    whole = ", ".join(f"{metres:,.1f} m {name.replace('_', ' ')}" for name, metres in zip(_ORDER, sums, strict=True))
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    text = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Batch of {len(rows)} sites</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>'
        f"<h1>Batch of {len(rows)} sites</h1><p>The worst of all threats, over all sites: {whole}.</p>"
        f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'
        f"{_map(combined)}{_warnings(combined)}<h2>Cautions</h2><ul>{cautions}</ul></body></html>"
    )
    path = out / PAGE_NAME
    write_text(path, text)
    return path
