"""The first sheet: does anybody get through, where, what closes it, what it costs."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from geotools.detection.verdict_rows import conditions, threats_passing_lower
from geotools.errors import counted
from geotools.plan.cautions import CAUTIONS
from geotools.site import SitePrices
from geotools.steps.report.bill import bill_fact
from geotools.steps.report.blocks import Block, Fact, Facts, Heading, Notes, Table, Text
from geotools.steps.report.windows import for_windows, opened_facts, window_facts, window_words
from geotools.steps.report.wording import ACTIONS, number, words
from geotools.terrain.quality import ORIGINS, shortest_dip

__all__ = ["answer", "walk_missed"]

#: So many places of a zone are named in a sentence; the layer verdicts has all.
_PLACES = 3

Frames = Mapping[str, pd.DataFrame]


def answer(frames: Frames, threats: Sequence[str], threshold: float, prices: SitePrices) -> list[Block]:
    """What comes first: whether anybody gets through, where, what closes it, what it costs.

    A heading, a sentence and the verdicts, beside which the map stands; then the other figures.
    """
    crossings, spots, options = frames.get("crossings"), frames.get("dead_spots"), frames.get("options")
    verdicts = frames.get("verdicts")
    said = [] if verdicts is None else [_verdict(threat, verdicts) for threat in threats]
    facts = _walked(frames.get("walk_result"))
    facts += _heads_off(frames.get("walk_heads"))
    facts += _survey(frames.get("fence"), verdicts)
    facts += _field(verdicts)
    facts += [_weakest(threat, crossings, threshold) for threat in threats]
    chosen = None if options is None else options[options["recommended"].fillna(False).astype(bool)]
    currency = prices.currency
    lower = set() if verdicts is None else threats_passing_lower(verdicts)
    facts += _dead(spots, threats, walk_missed(verdicts), lower)
    if chosen is not None and len(chosen):
        facts += _remedy(chosen, currency)
    said += window_facts(frames.get("operating_windows"), currency)
    facts += _water(frames.get("ponds"))
    facts += bill_fact(frames.get("bill"), currency)
    sentences = (
        _sentence(verdicts, threats, crossings, spots, chosen),
        window_words(frames.get("operating_windows"), currency),
    )
    blocks: list[Block] = [
        Heading("Summary"),
        Text(" ".join(part for part in sentences if part)),
        Facts(tuple(said)),
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
                number(r["cost"] - r.get("cost_as_drawn", float("nan")), 0),
                "yes" if r["clear"] else "no",
            ]
            for r in chosen.to_dict("records")
        ]
        columns = [
            "zone",
            "what to do",
            "dead now, m",
            "dead after, m",
            f"cost, {currency}",
            "of it for tolerances of building, settlement and heads",
            "clear in a run of all zones as proposed",
        ]
        title = "What closes the gaps and opens windows" if for_windows(chosen).any() else "What closes the gaps"
        blocks.append(Table.of(title, columns, rows))
    blocks.append(Notes(CAUTIONS, "caution", "Cautions"))
    return blocks


def _verdict(threat: str, verdicts: pd.DataFrame) -> Fact:
    """Metres of fence by verdict, the worst of them deciding the mark."""
    mine = verdicts[verdicts["threat"] == threat]
    metres = (mine["to_m"] - mine["from_m"]).groupby(mine["verdict"]).sum()
    rest = [
        f"{number(metres[name], 1)} m {words(name)}"
        for name in ("no_beam", "undetected", "unproven")
        if metres.get(name, 0.0) > 0.0
    ]
    state = "bad" if {"no_beam", "undetected"} & set(metres.index) else "open" if "unproven" in metres.index else "good"
    given = conditions(mine)
    walked = _by_walk(mine, "detected", "")
    if walked:
        rest.append(f"{number(walked, 1)} m of what is detected by the walk test, unproven by the model alone")
    note = ", ".join(rest) or "by the model, over the whole fence"
    return Fact(
        f"Fence, {words(threat)}",
        f"{number(metres.get('detected', 0.0), 1)} m detected with 95 % confidence{' on a condition' if given else ''}",
        f"{note}; the condition stands above" if given else note,
        "open" if given and state == "good" else state,
    )


def _by_walk(verdicts: pd.DataFrame, verdict: str, cause: str) -> float:
    """Metres of fence that a walk test gave a verdict."""
    if "basis" not in verdicts:
        return 0.0
    mine = verdicts[(verdicts["basis"] == "walk_test") & (verdicts["verdict"] == verdict)]
    mine = mine[mine["cause"].fillna("") == cause]
    return float((mine["to_m"] - mine["from_m"]).sum())


def _walked(result: pd.DataFrame | None) -> list[Fact]:
    """What was demonstrated on site, once somebody has walked."""
    if result is None or not (result["walked"].sum() or result["void"].sum()):
        return []
    counts = result["verdict"].value_counts()
    shown = int(counts.get("demonstrated", 0))
    rest = [
        f"{counts[name]} {name}" for name in ("failed", "void", "not demonstrated yet", "not walked") if name in counts
    ]
    missed = int(result["unexpected_misses"].sum())
    if missed:
        rest.append(f"{counted(missed, 'crossing')} missed that the model expected to be detected")
    state = "bad" if counts.get("failed", 0) else "good" if shown == len(result) else "open"
    note = ", ".join(rest) or "for the heads and the ground that were walked"
    return [Fact("Walk test", f"{shown} of {len(result)} zones and threats demonstrated", note, state)]


def _heads_off(heads: pd.DataFrame | None) -> list[Fact]:
    """Heads that the walk test shows to hang off their stated height."""
    if heads is None or heads.empty:
        return []
    off, apart = (heads[heads["state"] == state] for state in ("off", "not separated"))
    if off.empty and apart.empty:
        return [Fact("Head heights by the walk test", "none shown to be off", "fitted together with law and threshold")]
    said = [f"{row['head_id']} {number(row['offset_m'], 2, 'm')}" for row in off.to_dict("records")[:6]]
    note = ", ".join(said) + ("; measure them" if said else "")
    if len(apart):
        note += f"{'; ' if note else ''}one of each pair, measure both: {', '.join(apart['head_id'][:6])}"
    return [Fact("Head heights by the walk test", f"{len(off)} of {len(heads)} shown to be off", note, "bad")]


def _survey(fence: pd.DataFrame | None, verdicts: pd.DataFrame | None) -> list[Fact]:
    """What the survey of the ground shows, where the plan knows it; at the fence line where it shows least."""
    if fence is None or "resolves_m" not in fence or fence["resolves_m"].isna().all():
        return []
    worst = fence.loc[fence["resolves_m"].astype(float).idxmax()]
    resolves = float(worst["resolves_m"])
    hung = 0.0
    if verdicts is not None and "cause" in verdicts:
        mine = verdicts[(verdicts["cause"] == "survey_spacing") & (verdicts["threat"] != "all")]
        hung = float((mine["to_m"] - mine["from_m"]).groupby(mine["threat"]).sum().max()) if len(mine) else 0.0
    note = f"{ORIGINS[worst['resolves_origin']]}; dips from {shortest_dip(resolves):.2g} m length show"
    if hung:
        note += f"; up to {number(hung, 1)} m of fence are unproven for dips that it does not show"
    return [Fact("Survey of the ground", f"resolves {resolves:.2g} m", note, "open" if hung else "")]


def _field(verdicts: pd.DataFrame | None) -> list[Fact]:
    """Which field answered."""
    if verdicts is None or "field" not in verdicts:
        return []
    both = verdicts[verdicts["field"] == "profile_and_3d"]
    zones = sorted(both["zone_id"].dropna().unique())
    if not zones:
        where = "over each beam line's profile"
        return [Fact("Field model", where, "the field in three dimensions was computed nowhere")]
    apart = both[(both["cause"] == "field_3d") & (both["threat"] != "all")]
    metres = float((apart["to_m"] - apart["from_m"]).groupby(apart["threat"]).sum().max()) if len(apart) else 0.0
    said = f"in three dimensions too in {', '.join(zones[:8])}{' and more' if len(zones) > 8 else ''}"
    note = f"the second does not detect {number(metres, 1)} m that the first does" if metres else "both agree"
    return [Fact("Field model", "over each beam line's profile", f"{said}; {note}", "open" if metres else "")]


def _weakest(threat: str, crossings: pd.DataFrame | None, threshold: float) -> Fact:
    label = f"Weakest crossing, {words(threat)}"
    mine = None if crossings is None else crossings[crossings["threat"] == threat]
    if mine is None or mine.empty:
        return Fact(label, "not computed", "run the step gaps with the wave method")
    worst = mine.loc[mine["modulation"].idxmin()]
    where = (
        f"modulation, in {worst['zone_id']} at {number(worst['chainage_m'], 0)} m; detection needs {number(threshold)}"
    )
    bad = worst["outcome"] == "undetected"
    said = "undetected" if bad else "detected by the best estimate"
    return Fact(label, f"{number(worst['modulation'])}, {said}", where, "bad" if bad else "")


def walk_missed(verdicts: pd.DataFrame | None) -> pd.DataFrame:
    """The stretches where somebody crossed without an alarm on the walk test; none where nobody did."""
    if verdicts is None or "cause" not in verdicts:
        return pd.DataFrame({"threat": [], "zone_id": [], "from_m": [], "to_m": []})
    return verdicts[verdicts["cause"] == "walk_missed"]


def _dead(
    spots: pd.DataFrame | None, threats: Sequence[str], missed: pd.DataFrame, lower: Collection[str]
) -> list[Fact]:
    """Dead length of each threat; ``lower`` : those that pass below the fence's height, for which it is."""
    if spots is None:
        return []
    out = []
    for threat in threats:
        mine = spots[spots["threat"] == threat]
        length = float(mine["length_m"].sum())
        longest = f"{number(mine['length_m'].max(), 1)} m" if len(mine) else ""
        note = {0: "no dead spot", 1: "one dead spot"}.get(len(mine), f"{len(mine)} dead spots, the longest {longest}")
        passed = missed[missed["threat"] == threat]
        walked = float((passed["to_m"] - passed["from_m"]).sum())
        if walked:
            note = f"by the model: {note}; {number(walked, 1)} m more by the walk test"
        state = "bad" if length or walked else "good"
        if threat in lower:
            note, state = f"{note} as high as the fence; lower it passes", "bad" if state == "bad" else "open"
        out.append(Fact(f"Dead length, {words(threat)}", number(length, 1, "m"), note, state))
    return out


def _remedy(chosen: pd.DataFrame, currency: str) -> list[Fact]:
    opened, chosen = opened_facts(chosen, currency), chosen[~for_windows(chosen)]
    if chosen.empty:
        return opened
    before, after = float(chosen["dead_before_m"].sum()), float(chosen["dead_after_m"].sum())
    clear = int(chosen["clear"].fillna(False).sum())
    cut, fill = float(chosen["cut_m3"].fillna(0).sum()), float(chosen["fill_m3"].fillna(0).sum())
    area = float(chosen["area_m2"].fillna(0).sum())
    return [
        Fact(
            "Dead length with the remedy",
            f"{number(before, 1)} → {number(after, 1)} m",
            f"any threat, zones to mend; clear in a run of all zones as proposed in {clear} of {len(chosen)} zones",
            "good" if after == 0 and clear == len(chosen) else "bad",
        ),
        Fact(
            "Earthworks",
            f"{number(cut, 1)} m³ cut, {number(fill, 1)} m³ fill" if cut + fill > 0 else "none",
            f"over {number(area, 0)} m² of ground" if cut + fill > 0 else "the heads alone close the gaps",
        ),
        Fact(
            "Cost of the remedy",
            number(chosen["cost"].sum(), 0, currency),
            "at the site file's prices; placeholders where not set",
        ),
        *opened,
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


def _passed_words(missed: pd.DataFrame) -> str:
    """Zones with the stretches of fence where somebody passed, for whoever goes there."""
    said = []
    for zone, rows in missed.sort_values(["zone_id", "from_m"]).groupby("zone_id"):
        along = [f"{number(a, 1)} to {number(b, 1)} m" for a, b in zip(rows["from_m"], rows["to_m"], strict=True)]
        more = f" and {len(along) - _PLACES} more places" if len(along) > _PLACES else ""
        fence = f" along {rows['fence_id'].iloc[0]}" if "fence_id" in rows else ""
        said.append(f"{zone} ({', '.join(along[:_PLACES])}{more}{fence})")
    return ", ".join(said)


def _sentence(
    verdicts: pd.DataFrame | None,
    threats: Sequence[str],
    crossings: pd.DataFrame | None,
    spots: pd.DataFrame | None,
    chosen: pd.DataFrame | None,
) -> str:
    """What may be said, no stronger than the verdicts."""
    if verdicts is None or crossings is None or crossings.empty:
        return "Detection has not been computed for this plan yet; the sheets below show what there is."
    known = verdicts[verdicts["threat"].isin(threats)]
    bare = known[known["verdict"] == "no_beam"]
    missed = walk_missed(known)
    by_model = known[~known.index.isin(missed.index)]
    through = [words(t) for t in threats if ((by_model["threat"] == t) & (by_model["verdict"] == "undetected")).any()]
    open_ = [words(t) for t in threats if ((known["threat"] == t) & (known["verdict"] == "unproven")).any()]
    parts = []
    if len(bare):
        one = bare[bare["threat"] == bare["threat"].iloc[0]]
        parts.append(f"{number((one['to_m'] - one['from_m']).sum(), 1)} m of fence have no beam.")
    for threat in threats:
        mine = missed[missed["threat"] == threat]
        if len(mine):
            parts.append(
                f"On the walk test {words(threat)} crossed without an alarm in {_passed_words(mine)}, where the model "
                "had detected it or left it open."
            )
    if through:
        zones = [] if spots is None else sorted(spots["zone_id"].unique())
        verb = "crosses" if len(through) == 1 else "cross"
        said = f"By the model, {' and '.join(through)} {verb} undetected in {len(zones)} of the zones"
        parts.append(said + (f" ({', '.join(zones)})." if 0 < len(zones) <= 8 else "."))
    if open_:
        parts.append(
            f"For {' and '.join(open_)} part of the fence is unproven: the layer verdicts says what would decide it."
        )
    given = conditions(known)
    if not parts:
        only = f" on the condition {given}" if given else ""
        return f"By the model, every metre of fence is detected with 95 % confidence for each threat of the site{only}."
    if through and chosen is not None and len(chosen):
        left = float(chosen["dead_after_m"].sum())
        parts.append(
            "What is advised below was clear by the best estimate in a run of all zones as proposed; how much is "
            "unproven then, a run on the applied state says."
            if left == 0
            else f"What is advised below leaves {number(left, 1)} m open."
        )
    if given:
        parts.append(f"What is detected is so on the condition {given}.")
    return " ".join(parts)
