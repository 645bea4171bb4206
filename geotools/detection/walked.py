"""What a walk test does to the verdicts along the fence: it may take away what the model says, and confirm it.

Where somebody crossed without an alarm, the fence is undetected. Where the model had called that place detected, it is
refuted: what else it calls detected in that zone for that threat is unproven until heads, settings or ground are put
right. Where a zone's walk test demonstrates detection, places that the model left unproven are detected near crossings
that were. What the model calls undetected stays so: a straight walk that is detected says nothing of a winding way.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import LineString
from shapely.ops import substring

from geotools.detection.stretches import fence_edges, places_along
from geotools.detection.verdict_rows import EVERY_THREAT, Row, numbered, settled_by, worst_rows
from geotools.plan.model import FenceChain

__all__ = ["MISSED_M", "SHOWN_M", "WalkedCrossing", "after_walk", "model_rows"]

Floats = NDArray[np.float64]
Texts = NDArray[np.str_]

#: How far from a crossing that was missed the fence is undetected: a tape from a post, and a body's sway, are no
#: better (a choice of this toolkit), m.
MISSED_M = 1.0
#: How far from a crossing that was detected a demonstration counts: the spacing that walk tests keep (a choice of this
#: toolkit), m.
SHOWN_M = 2.0
#: Causes that a demonstration settles: a dip that the survey could have missed may lie between two crossings.
_SETTLED = ("not_known_exactly", "field_3d", "receiver_law")
_OF_MODEL = ("verdict", "cause", "confidence")


@dataclass(frozen=True)
class WalkedCrossing:
    """A crossing whose result counts: of the state that the verdicts are of.

    chainage_m : from the transmitter post, m. detected : whether the receiver alarmed.
    """

    zone_id: str
    threat: str
    chainage_m: float
    detected: bool


def model_rows(rows: Sequence[Mapping[str, Any]], fences: Mapping[str, LineString]) -> list[Row]:
    """Rows of single threats as the model alone has them, whatever a walk test made of them; ``fences`` by name."""
    found: list[dict[str, Any]] = []
    for given in sorted(rows, key=lambda row: (row["fence_id"], row["threat"], row["from_m"])):
        if given["threat"] == EVERY_THREAT:
            continue
        row: dict[str, Any] = {name: None if _missing(value) else value for name, value in given.items()}
        if row.get("basis") == "walk_test":
            row |= {name: row[f"model_{name}"] for name in _OF_MODEL}
            row["settle"] = settled_by(str(row["verdict"]), row["cause"])
        row |= {"basis": "model", **{f"model_{name}": None for name in _OF_MODEL}}
        if found and _same(found[-1], row):
            whole = substring(fences[row["fence_id"]], found[-1]["from_m"], row["to_m"])
            found[-1] |= {"to_m": row["to_m"], "geometry": whole}
        else:
            found.append(row)
    return found


def _missing(value: object) -> bool:
    """Whether a table has nothing there."""
    return isinstance(value, float) and bool(np.isnan(value))


def _same(one: Row, other: Row) -> bool:
    apart = ("verdict_id", "from_m", "to_m", "geometry")
    return all(one[name] == other[name] for name in one if name not in apart) and one["to_m"] == other["from_m"]


def after_walk(
    rows: Sequence[Mapping[str, Any]],
    chains: Sequence[FenceChain],
    fences: Mapping[str, LineString],
    crossings: Sequence[WalkedCrossing],
    demonstrated: Mapping[tuple[str, str], float],
) -> list[Row]:
    """Rows of the layer verdicts after a walk test.

    Parameters
    ----------
    rows : sequence of mapping
        Of the layer, changed by an earlier walk test or not.
    chains : sequence of FenceChain
        The plan's zones.
    fences : mapping of str to LineString
        Fence lines by name, m.
    crossings : sequence of WalkedCrossing
        Those that count.
    demonstrated : mapping of (str, str) to float
        Confidence at which detection is demonstrated, by zone and threat; others are left out.
    """
    of_model = model_rows(rows, fences)
    chain_of = {chain.fence_id: chain for chain in chains}
    made: list[Row] = []
    for fence_id, threat in dict.fromkeys((row["fence_id"], row["threat"]) for row in of_model):
        mine = [row for row in of_model if (row["fence_id"], row["threat"]) == (fence_id, threat)]
        walked = [one for one in crossings if one.threat == threat]
        if fence_id not in chain_of or not walked:
            made += mine
            continue
        fence = fences[fence_id]
        edges = fence_edges(fence)
        changes = _changes(mine, chain_of[fence_id], fence, walked, {z for z, t in demonstrated if t == threat})
        made += _cut(mine, fence, edges, changes, {z: c for (z, t), c in demonstrated.items() if t == threat})
    single = numbered(made)
    return [*single, *worst_rows(single)]


def _of_places(rows: Sequence[Row], edges: Floats) -> NDArray[np.intp]:
    """Which row each piece of the fence belongs to."""
    ends = np.array([row["to_m"] for row in rows])
    return np.minimum(np.searchsorted(ends, (edges[:-1] + edges[1:]) / 2), len(rows) - 1)


def _changes(
    rows: Sequence[Row],
    chain: FenceChain,
    fence: LineString,
    walked: Sequence[WalkedCrossing],
    demonstrated: Collection[str],
) -> Texts:
    """What becomes of each piece of a fence line for one threat: empty where the model's verdict stays."""
    edges = fence_edges(fence)
    places = places_along(chain, fence, (edges[:-1] + edges[1:]) / 2)
    of_row = _of_places(rows, edges)
    verdict = np.array([rows[i]["verdict"] for i in of_row])
    cause = np.array([rows[i]["cause"] or "" for i in of_row])
    changes = np.full(edges.size - 1, "", dtype="<U16")
    length = {zone.zone_id: zone.line.length for zone in chain.zones}
    zones = np.array([zone_id or "" for zone_id, _ in places])
    along = np.array([share * length.get(zone_id or "", 0.0) for zone_id, share in places])
    # each zone's own pieces and crossings, found once: thousands of crossings times all pieces of a border take minutes
    pieces = _by_name(zones)
    walked_in: dict[str, list[WalkedCrossing]] = {}
    for one in walked:
        walked_in.setdefault(one.zone_id, []).append(one)
    for zone_id, results in walked_in.items():
        here = pieces.get(zone_id)
        if here is None:
            continue
        at, model = along[here], verdict[here]
        missed, contradicted = np.zeros(here.size, bool), False
        for one in results:
            off = np.abs(at - one.chainage_m)
            said = model[int(off.argmin())]
            # a miss where the model says undetected was foretold: it says nothing of what lies beside
            if not one.detected and said != "undetected":
                missed |= off <= max(MISSED_M, float(off.min()))
                contradicted |= bool(said == "detected")
        if zone_id in demonstrated:
            found = np.array([one.chainage_m for one in results if one.detected])
            near = np.abs(at[:, None] - found).min(axis=1, initial=np.inf) <= SHOWN_M
            changes[here[near & (model == "unproven") & np.isin(cause[here], _SETTLED)]] = "shown"
        elif contradicted:
            changes[here[model == "detected"]] = "walk_contradicts"
        changes[here[missed & ((model == "detected") | (model == "unproven"))]] = "walk_missed"
    return changes


def _by_name(names: Texts) -> dict[str, NDArray[np.intp]]:
    """Places of each name, rising."""
    order = np.argsort(names, kind="stable")
    each, first = np.unique(names[order], return_index=True)
    return dict(zip(each.tolist(), np.split(order, first[1:]), strict=True))


def _cut(
    rows: Sequence[Row], fence: LineString, edges: Floats, changes: Texts, confidence: Mapping[str, float]
) -> list[Row]:
    """The rows cut where a change begins or ends."""
    of_row = _of_places(rows, edges)
    keys = list(zip(of_row.tolist(), changes.tolist(), strict=True))
    cuts = [0, *(i for i in range(1, len(keys)) if keys[i] != keys[i - 1]), len(keys)]
    made = []
    for first, last in pairwise(cuts):
        number, change = keys[first]
        row, a, b = rows[number], float(edges[first]), float(edges[last])
        made.append({**row, **_changed(row, change, confidence), "from_m": a, "to_m": b})
        made[-1]["geometry"] = substring(fence, a, b)
    return made


def _changed(row: Row, change: str, confidence: Mapping[str, float]) -> Row:
    if not change:
        return {}
    shown = change == "shown"
    verdict = {"shown": "detected", "walk_missed": "undetected", "walk_contradicts": "unproven"}[change]
    return {
        "basis": "walk_test",
        **{f"model_{name}": row[name] for name in _OF_MODEL},
        "verdict": verdict,
        "cause": None if shown else change,
        "confidence": confidence[row["zone_id"]] if shown else None,
        "settle": settled_by(verdict, None if shown else change),
        "conditional_on": None,
    }
