"""The sheets after the first, each made from the plan's layers: which words and tables, in which order."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from geotools.plan.schema import LayerSchema
from geotools.plan.schema.detection import CAUSES
from geotools.steps.report.blocks import Block, Heading, Notes, Table, Text
from geotools.steps.report.wording import ACTIONS, field_table, number, typeset, words

__all__ = [
    "heads_sheet",
    "how_sheet",
    "layer_sheet",
    "placeholder_sheet",
    "uncertain_sheet",
    "upkeep_sheet",
    "walk_sheet",
    "zone_tables",
]

Frames = Mapping[str, pd.DataFrame]

#: A table beyond this is for a GIS or a spreadsheet, not for paper.
MOST_ROWS = 60
#: A text longer than this makes a column of a table unreadable.
_LONG_TEXT = 50


def zone_tables(zone: str, held: Frames) -> list[Block]:
    """Dead spots of a zone, what is advised, and the standing levels of its beams; ``held`` : its rows by layer."""
    out: list[Block] = []
    mine = held.get("dead_spots")
    if mine is not None and len(mine):
        shown = mine.assign(cause=[CAUSES.get(c, words(c)) for c in mine["cause"]])
        columns = {
            "spot_id": ("dead spot", 0),
            "threat": ("threat", 0),
            "cause": ("cause", 0),
            "from_m": ("from, m", 1),
            "to_m": ("to, m", 1),
            "length_m": ("length, m", 1),
            "crawl_gap_m": ("crawl gap, m", 2),
            "modulation": ("modulation", 2),
        }
        out.append(field_table(f"Dead spots of {zone}", shown, columns))
    elif mine is not None:
        out.append(Text("No dead spot by the best estimate; the verdicts along the fence say how certain that is."))
    for name, caption, column in (("options", "Options compared", "reason"), ("advice", "Advice", "reason")):
        rows = held.get(name)
        if rows is None or rows.empty:
            continue
        if name == "options":
            shown = rows.assign(
                option=[ACTIONS.get(o, words(o)) for o in rows["option"]],
                recommended=["recommended" if r else "" for r in rows["recommended"].fillna(False)],
            )
            columns = {
                "option": ("option", 0),
                "recommended": ("choice", 0),
                "clear": ("clear in a re-run", 0),
                "dead_after_m": ("dead after, m", 1),
                "cut_m3": ("cut, m³", 1),
                "fill_m3": ("fill, m³", 1),
                "cost": ("cost", 0),
            }
            out.append(field_table(f"{caption} for {zone}", shown, columns))
        said = list(dict.fromkeys(str(r) for r in rows[column].dropna()))
        if name == "advice" and said:
            out.append(Notes(tuple(map(typeset, said)), title="Advice"))
    rows = held.get("beam_levels")
    if rows is not None and len(rows):
        columns = {"beam_id": ("beam", 0), "standing_level_db": ("standing level, dB", 1), "in_null": ("in a null", 0)}
        out.append(field_table(f"Standing levels of {zone}", rows, columns))
    return out


def heads_sheet(frames: Frames) -> list[Block]:
    """The schedule of heads: from the stakeout sheet where there is one, else from the layout."""
    sheet = frames.get("stakeout")
    laid_out = sheet is None
    if sheet is None:
        sheet = frames["heads"]
    columns = {
        "head_id": ("head", 0),
        "post_id": ("post", 0),
        "head_type": ("type", 0),
        "height_m": ("height, m" if laid_out else "height to set, m", 3),
        "laid_out_height_m": ("height as laid out, m", 3),
        "axis_m": ("level, m", 2),
        "true_azimuth_deg": ("aim from true north, °", 1),
        "azimuth_deg": ("aim from grid north, °", 1),
        "tilt_deg": ("tilt, °", 2),
        "distance_m": ("distance, m", 1),
        "polarisation": ("polarisation", 0),
        "channel": ("channel", 0),
    }
    blocks: list[Block] = [
        Heading("Heads", flows=True),
        Text(
            "Heights are of the head's axis above the ground as it is. Run the step stakeout for the heights to set."
            if laid_out
            else "Heights to set are of the head's axis above the finished ground, those as laid out above the ground "
            "as surveyed. The layer stakeout says how upright and turned heads are fitted."
        ),
    ]
    blocks.append(field_table("Heads schedule", sheet.drop(columns="azimuth_deg", errors="ignore"), columns))
    return blocks


def layer_sheet(schema: LayerSchema, frame: pd.DataFrame) -> list[Block]:
    """Any other layer of the plan as a sheet: its own words, its fields as they are declared."""
    if frame.empty:
        return []
    filled = [f for f in schema if frame[f.name].notna().any()]
    long = [f.name for f in filled if f.type == "text" and frame[f.name].astype(str).str.len().max() > _LONG_TEXT]
    shown = {f.name: (f.alias, 2) for f in filled if f.name not in long}
    out: list[Block] = [Heading(schema.title, flows=True), Text(schema.description)]
    if len(frame) > MOST_ROWS:
        where = f"{len(frame)} rows: too many for a sheet. They are in plan.gpkg, layer {schema.name}."
        return [*out, Text(where)]
    table = field_table(schema.title, frame, shown, aside=len(frame) > 20)
    out.append(table.turned() if len(shown) > 10 and len(frame) <= 6 else table)
    for name in long:
        said = [f"{row[schema.key]}: {row[name]}" for row in frame.dropna(subset=[name]).to_dict("records")]
        out.append(Notes(tuple(map(typeset, said)), title=words(name).capitalize()))
    return out


def walk_sheet(
    frames: Frames, probability: float, confidence: float, threshold: Mapping[str, Any] | None
) -> list[Block]:
    """What the walk test shows, or how many crossings are planned."""
    result = frames.get("walk_result")
    if result is None:
        return []
    blocks: list[Block] = [Heading("Walk test", flows=True)]
    wanted = f"{probability:g} at {100 * confidence:g} % confidence"
    if not (result["walked"].sum() or result["void"].sum()):
        each = int(result["planned"].max())
        blocks.append(
            Text(
                f"Not walked yet. {int(result['planned'].sum())} crossings are planned, {each} for each zone and "
                f"threat at most: if all of them are detected, they show a detection probability of {wanted}."
            )
        )
        return blocks
    if threshold and threshold.get("words"):
        said = str(threshold["words"])
        blocks.append(Text(f"{said[0].upper()}{said[1:]}."))
    columns = {
        "zone_id": ("zone", 0),
        "threat": ("threat", 0),
        "walked": ("walked", 0),
        "void": ("void", 0),
        "detected": ("detected", 0),
        "lower": ("at least", 2),
        "upper": ("at most", 2),
        "verdict": ("verdict", 0),
        "next": ("next", 0),
    }
    blocks.append(field_table(f"Walk test against {wanted}", result[result["walked"] + result["void"] > 0], columns))
    return blocks


def upkeep_sheet(frames: Frames, currency: str) -> list[Block]:
    """The maintenance tasks of the first year, and the cost of the schemes."""
    visits, cost = frames.get("upkeep"), frames.get("upkeep_cost")
    if visits is None or cost is None or visits.empty:
        return []
    first = visits["due"].min()
    year = visits[visits["due"] < first + pd.DateOffset(years=1)]
    rows = [
        [
            str(task),
            str(len(group)),
            number(group["minutes"].sum() / 60, 1),
            ", ".join(sorted({d.date().isoformat() for d in group["due"]})[:4]),
        ]
        for task, group in year.groupby("task", sort=True)
    ]
    money = cost.assign(chosen=["chosen" if c else "" for c in cost["chosen"]])
    columns = {
        "scheme": ("scheme", 0),
        "chosen": ("", 0),
        "visits": ("visits", 0),
        "labour": (f"labour, {currency}", 0),
        "material": (f"material, {currency}", 0),
        "total": (f"total, {currency}", 0),
    }
    blocks: list[Block] = [
        Heading("Maintenance", flows=True),
        Text(
            "The whole plan is in upkeep.csv and, for calendar programs, in upkeep.ics. The equipment's manual governs."
        ),
        Table.of("Maintenance tasks in the first year", ["task", "visits", "hours", "first days"], rows),
    ]
    if len(cost):
        years = int(cost["years"].max())
        title = f"Cost of the maintenance schemes over {years} years, at the site file's prices"
        blocks.append(field_table(title, money, columns))
    return blocks


def placeholder_sheet(rested_on: Iterable[str]) -> list[Block]:
    """Every default that stands for a figure only the user can know."""
    named = tuple(dict.fromkeys(rested_on))
    if not named:
        return []
    return [
        Heading("Placeholders", flows=True),
        Text(
            "These figures are round placeholders of the catalogue, not those of your equipment and contractors. "
            "Results that rest on them change with your own: enter them in the site file."
        ),
        Notes(named),
    ]


def uncertain_sheet(
    accuracy: float | None, cell: float | None, threats: Mapping[str, float | None], warnings: Sequence[str]
) -> list[Block]:
    """What the answer rests on and where it may be wrong."""
    items = []
    if accuracy is None:
        items.append(
            "The vertical accuracy of the terrain model is not stated: a dip smaller than its error does not show."
        )
    else:
        items.append(
            f"The terrain model is good to {number(accuracy)} m (95 %); dips and crests smaller than that may be "
            "missing or wrong."
        )
    if cell is not None:
        items.append(f"The terrain has cells of {number(cell)} m: a ditch narrower than two cells is smoothed away.")
    for threat, tolerance in threats.items():
        if tolerance is not None:
            items.append(
                f"{words(threat)[:1].upper()}{words(threat)[1:]}: ground within {number(tolerance, 3)} m of straight "
                "is required (common practice, no source)."
            )
    items += [
        "The model is paraxial and takes people as opaque screens; it knows the ground along the beam's centre line "
        "and the target's own ground; what fences or vehicles reflect is not in it; grass and snow are two bounds.",
        "It ranks and explains; the walk test on site decides.",
    ]
    blocks: list[Block] = [Heading("Uncertainty", flows=True), Notes(tuple(items))]
    if warnings:
        blocks.append(Notes(tuple(map(typeset, dict.fromkeys(warnings))), title="Warnings of the steps"))
    return blocks


def how_sheet(provenance: pd.DataFrame) -> list[Block]:
    """How the plan came to be: steps, versions, parameters, hashes, sources."""
    rows = [
        [str(r["step"]), str(r["version"]), _short(r["parameters"]), str(r["layers"] or ""), str(r["files"] or "")]
        for r in provenance.to_dict("records")
    ]
    blocks: list[Block] = [
        Heading("How it was computed", flows=True),
        Text(
            "Each head's field is carried over the ground by the parabolic wave equation; a person removes a part "
            "of what reaches the receiver, and is detected where that part, the modulation, reaches the threshold. The "
            "weakest crossing is the way across whose best modulation is smallest, all beams together."
        ),
        Table.of("Steps", ["step", "version", "parameters", "layers", "files"], rows),
    ]
    first = provenance.iloc[0]
    hashes = _short(first["inputs"]).split("; ")
    blocks.append(Notes(tuple(h for h in hashes if h), title="Input files, SHA-256"))
    sources = dict.fromkeys(
        s.strip() for text in provenance["citations"].dropna() for s in re.split(r"; (?![^(]*\))", str(text))
    )
    blocks.append(Notes(tuple(s for s in sources if s), title="Sources"))
    return blocks


def _short(text: Any) -> str:
    """JSON of names and values as words."""
    try:
        data = json.loads(text)
    except (TypeError, ValueError):
        return "" if text is None or pd.isna(text) else str(text)
    return "; ".join(f"{words(k)} {v}" for k, v in data.items() if v is not None)
