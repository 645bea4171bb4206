"""The first sheet: does anybody get through, where, what closes it, what it costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from geotools.site import Prices
from geotools.steps.report.blocks import Block, Fact, Facts, Heading, Notes, Table, Text
from geotools.steps.report.wording import ACTIONS, CAUTIONS, number, words

__all__ = ["answer", "as_designed"]

Frames = Mapping[str, pd.DataFrame]


def answer(frames: Frames, threats: Sequence[str], threshold: float, prices: Prices) -> list[Block]:
    """The first page: does anybody get through, where, what closes it, what it costs."""
    crossings, spots, options = frames.get("crossings"), frames.get("dead_spots"), frames.get("options")
    facts: list[Fact] = []
    through = []
    for threat in threats:
        fact = _weakest(threat, crossings, threshold)
        facts.append(fact)
        if fact.state == "bad":
            through.append(words(threat))
    chosen = None if options is None else options[options["recommended"].fillna(False).astype(bool)]
    tried = chosen
    if chosen is not None:
        chosen = as_designed(chosen, frames.get("gradings"), prices)
    currency = prices.currency
    facts += _dead(spots, threats)
    if chosen is not None and len(chosen):
        facts += _remedy(chosen, currency)
    facts += _water(frames.get("ponds"))
    blocks: list[Block] = [
        Heading("The answer"),
        Text(_sentence(through, crossings, spots, chosen)),
        Facts(tuple(facts)),
    ]
    if chosen is not None and len(chosen):
        rows = [
            [
                str(r["zone_id"]),
                ACTIONS.get(r["option"], words(r["option"])),
                number(r["dead_before_m"], 1),
                number(r["dead_after_m"], 1),
                number(r["cost"], 0),
                "yes" if r["proven"] else "no",
            ]
            for r in chosen.to_dict("records")
        ]
        columns = ["zone", "what to do", "dead now, m", "dead after, m", f"cost, {currency}", "proven by a new run"]
        blocks.append(Table.of("What closes the gaps", columns, rows))
        blocks += _differs(tried, chosen, currency)
    blocks.append(Notes(CAUTIONS, "caution", "Before anybody acts on this"))
    return blocks


def as_designed(chosen: pd.DataFrame, gradings: pd.DataFrame | None, prices: Prices) -> pd.DataFrame:
    """The options taken, with earth, cost and proof of the one design surface in place of each zone's own trial.

    Zones are graded together at last, and a neighbour's grading can ask more of a zone than its option did, or undo it.
    """
    chosen = chosen.copy()
    if gradings is None:
        return chosen
    made = gradings.set_index("zone_id")
    for at, row in chosen.iterrows():
        if "grade" not in row["option"] or row["zone_id"] not in made.index:
            continue
        design = made.loc[row["zone_id"]]
        earth = {"cut_m3": design["cut_grid_m3"], "fill_m3": design["fill_grid_m3"], "area_m2": design["area_m2"]}
        each = {"cut_m3": prices.cut_m3, "fill_m3": prices.fill_m3, "area_m2": prices.surface_m2}
        chosen.loc[at, "cost"] += sum(each[k] * (earth[k] - row[k]) for k in earth)
        chosen.loc[at, [*earth, "dead_after_m", "proven"]] = [*earth.values(), design["dead_after_m"], design["proven"]]
    return chosen


def _differs(tried: pd.DataFrame, chosen: pd.DataFrame, currency: str) -> list[Block]:
    """Why the zones' own sheets show other figures than the first page, where they do."""
    rows = zip(tried["zone_id"], tried["cost"], chosen["cost"], strict=True)
    said = [
        f"{zone} {number(now, 0)} {currency} instead of {number(alone, 0)}"
        for zone, alone, now in rows
        if abs(now - alone) >= max(1.0, 0.01 * alone)
    ]
    if not said:
        return []
    return [Text(f"With all zones on one design surface, not each tried alone as on its own sheet: {', '.join(said)}.")]


def _weakest(threat: str, crossings: pd.DataFrame | None, threshold: float) -> Fact:
    label = f"Weakest crossing, {words(threat)}"
    mine = None if crossings is None else crossings[crossings["threat"] == threat]
    if mine is None or mine.empty:
        return Fact(label, "not computed", "run the step gaps with the wave method")
    worst = mine.loc[mine["modulation"].idxmin()]
    where = (
        f"modulation, in {worst['zone_id']} at {number(worst['chainage_m'], 0)} m; an alarm needs {number(threshold)}"
    )
    bad = worst["outcome"] == "unseen"
    said = "gets through" if bad else "detected"
    return Fact(label, f"{number(worst['modulation'])}, {said}", where, "bad" if bad else "good")


def _dead(spots: pd.DataFrame | None, threats: Sequence[str]) -> list[Fact]:
    if spots is None:
        return []
    out = []
    for threat in threats:
        mine = spots[spots["threat"] == threat]
        length = float(mine["length_m"].sum())
        longest = f"{number(mine['length_m'].max(), 1)} m" if len(mine) else ""
        note = {0: "no dead spot", 1: "one dead spot"}.get(len(mine), f"{len(mine)} dead spots, the longest {longest}")
        out.append(Fact(f"Dead length, {words(threat)}", number(length, 1, "m"), note, "bad" if length else "good"))
    return out


def _remedy(chosen: pd.DataFrame, currency: str) -> list[Fact]:
    before, after = float(chosen["dead_before_m"].sum()), float(chosen["dead_after_m"].sum())
    proven = int(chosen["proven"].fillna(False).sum())
    cut, fill = float(chosen["cut_m3"].fillna(0).sum()), float(chosen["fill_m3"].fillna(0).sum())
    area = float(chosen["area_m2"].fillna(0).sum())
    return [
        Fact(
            "Dead length with the remedy",
            f"{number(before, 1)} → {number(after, 1)} m",
            f"any threat, zones to mend; proven by a new run in {proven} of {len(chosen)} zones",
            "good" if after == 0 and proven == len(chosen) else "bad",
        ),
        Fact(
            "Earthworks",
            f"{number(cut, 1)} m³ cut, {number(fill, 1)} m³ fill" if cut + fill > 0 else "none",
            f"over {number(area, 0)} m² of ground" if cut + fill > 0 else "the heads alone close the gaps",
        ),
        Fact("Cost", number(chosen["cost"].sum(), 0, currency), "at the site file's prices; invented where not set"),
    ]


def _water(ponds: pd.DataFrame | None) -> list[Fact]:
    if ponds is None:
        return []
    now, after = (ponds[ponds["state"] == state] for state in ("now", "after"))
    deepest = f"deepest {number(after['depth_m'].max())} m" if len(after) else "none"
    worse = len(after) > 0 and float(after["volume_m3"].sum()) > float(now["volume_m3"].sum())
    said = "grading makes water stand: a pipe or a cut outlet is needed" if worse else "grading makes none worse"
    return [
        Fact("Ponds after grading", f"{len(after)}, {deepest}", f"{len(now)} now; {said}", "bad" if worse else "good")
    ]


def _sentence(
    through: Sequence[str], crossings: pd.DataFrame | None, spots: pd.DataFrame | None, chosen: pd.DataFrame | None
) -> str:
    if crossings is None or crossings.empty:
        return "Detection has not been computed for this plan yet; the sheets below show what there is."
    if not through:
        return "By the model, every threat is detected wherever it crosses."
    zones = [] if spots is None else sorted(spots["zone_id"].unique())
    verb = "gets" if len(through) == 1 else "get"
    said = f"By the model, {' and '.join(through)} {verb} through without an alarm in {len(zones)} of the zones"
    said += f" ({', '.join(zones)})." if 0 < len(zones) <= 8 else "."
    if chosen is not None and len(chosen):
        left = float(chosen["dead_after_m"].sum())
        said += (
            " What is advised below closes every gap; each was proven by running the model again."
            if left == 0
            else f" What is advised below leaves {number(left, 1)} m open."
        )
    return said
