"""The page of a batch: verdicts, warnings, worst place and report of every site, and all of them on one map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path

import pyogrio

from geotools.cli.batch.maps import VERDICT_ORDER, maps_of
from geotools.io.files import write_text
from geotools.plan.cautions import CAUTIONS
from geotools.plan.schema import PROVENANCE

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
_NUMBERS = ("detected_m", "unproven_m", "undetected_m", "no_beam_m", "warnings")
#: Left out where no site has it.
_ONLY_FILLED = ("problem",)
_STYLE = (
    "body{font:15px/1.45 sans-serif;margin:2em auto;max-width:80em;padding:0 1em;color:#111}"
    "table{border-collapse:collapse;width:100%}th,td{border-bottom:1px solid #bbb;padding:.3em .5em;text-align:left;"
    "vertical-align:top}td.n{text-align:right;white-space:nowrap}img{max-width:100%}"
    "th.n{text-align:right}td,li{overflow-wrap:anywhere}tr.failed td{background:#fbe3d6}"
    # a phone shows each site as a list of its figures
    "@media(max-width:50em){table,tbody,tr,td{display:block}thead{display:none}td:empty{display:none}"
    "tr{border-bottom:2px solid #777;padding:.4em 0}td,td.n{border:0;padding:.1em 0;text-align:left}"
    "td::before{content:attr(data-name) ': ';color:#555}}"
)


def _cell(row: Mapping[str, object], name: str) -> str:
    value, label = row.get(name), f'data-name="{escape(_COLUMNS[name], quote=True)}"'
    if value is None:
        return "<td></td>"
    if isinstance(value, float):
        return f'<td class="n" {label}>{value:,.1f}</td>'
    if isinstance(value, int):
        return f'<td class="n" {label}>{value}</td>'
    text = escape(str(value))
    report = row.get("report")
    if name == "site" and report:
        text = f'<a href="{escape(str(report), quote=True)}">{text}</a>'
    return f"<td {label}>{text}</td>" if text else "<td></td>"


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
    columns = [name for name in _COLUMNS if name not in _ONLY_FILLED or any(row.get(name) for row in rows)]
    head = "".join(f"<th{' class=n' * (name in _NUMBERS)}>{escape(_COLUMNS[name])}</th>" for name in columns)
    body = "".join(
        f'<tr class="{escape(str(row["state"]))}">{"".join(_cell(row, name) for name in columns)}</tr>' for row in rows
    )
    sums = [sum(value for row in rows if isinstance(value := row.get(f"{name}_m"), float)) for name in VERDICT_ORDER]
    whole = ", ".join(
        f"{metres:,.1f} m {name.replace('_', ' ')}" for name, metres in zip(VERDICT_ORDER, sums, strict=True)
    )
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    text = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Batch of {len(rows)} sites</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>'
        f"<h1>Batch of {len(rows)} sites</h1><p>The worst of all threats, over all sites: {whole}.</p>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        f"{maps_of(combined)}{_warnings(combined)}<h2>Cautions</h2><ul>{cautions}</ul></body></html>"
    )
    path = out / PAGE_NAME
    write_text(path, text, private=True)
    return path
