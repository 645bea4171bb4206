"""Law, threshold and head heights together, from a walk whose results contradict the model with its heads as stated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from geotools.detection.accuracy import PER_95
from geotools.detection.perimeter import Perimeter
from geotools.detection.straight import straight_by_heads
from geotools.plan import ids
from geotools.plan.grouped import rows_by
from geotools.steps.walktest.heads import DECISIVE, HeadFit, HeadOffset, WalkedPairs, fit_heads, moves_tried
from geotools.steps.walktest.law import LawFit

__all__ = ["explained", "fit_together", "head_rows", "together_words"]

LAWS = ("field", "envelope")
#: A mounting tolerance is never taken to be less than what a staff is read to, m.
_LEAST_TOLERANCE_M = 0.005


def explained(fit: LawFit) -> bool:
    """Whether a law with the heads as stated explains the results so well that no offset of a head can be shown."""
    return max(one.log_likelihood for one in fit.estimates.values()) > -DECISIVE


def _pairs(rows: Sequence[Mapping[str, Any]], perimeter: Perimeter) -> dict[str, list[WalkedPairs]]:
    """What was walked in every zone, by law; ``rows`` : those that count for the zone's own heads."""
    found: dict[str, list[WalkedPairs]] = {law: [] for law in LAWS}
    moves = moves_tried()
    for zone_id, mine in rows_by(rows, "zone_id").items():
        tables = straight_by_heads(perimeter, zone_id, moves)
        x = perimeter.grids[zone_id].chainage_m
        at = np.interp([row["chainage_m"] for row in mine], x, np.arange(x.size))
        before = np.minimum(at.astype(int), x.size - 2)
        share = at - before
        detected = np.array([row["result"] == "detected" for row in mine])
        for number, law in enumerate(LAWS):
            columns = []
            for row, place, part in zip(mine, before, share, strict=True):
                table = tables[row["threat"]][number]
                columns.append(table[..., place] * (1.0 - part) + table[..., place + 1] * part)
            found[law].append(WalkedPairs(zone_id, np.stack(columns, axis=-1), detected))
    return found


def fit_together(
    rows: Sequence[Mapping[str, Any]], perimeter: Perimeter, tolerance_m: float
) -> tuple[dict[str, HeadFit], str]:
    """Threshold and head heights under each law, and the law that explains more: ``either`` where none is decisive.

    Parameters
    ----------
    rows : sequence of mapping
        Of the layer walk_test: results that count, away from neighbouring heads.
    perimeter : Perimeter
        Of the state walked.
    tolerance_m : float
        Of a head's height as mounted (95 %), m.
    """
    sigma = max(tolerance_m, _LEAST_TOLERANCE_M) / PER_95
    fits = {law: fit_heads(zones, sigma) for law, zones in _pairs(rows, perimeter).items()}
    apart = fits["field"].value - fits["envelope"].value
    return fits, "field" if apart > DECISIVE else "envelope" if apart < -DECISIVE else "either"


def _named(fits: Mapping[str, HeadFit], law: str) -> tuple[str, list[HeadOffset]]:
    """Heads under the law, or under the likelier one: there a head is off only where it is so under both."""
    likelier = law if law in fits else max(fits, key=lambda name: fits[name].value)
    heads = []
    for place, head in enumerate(fits[likelier].heads):
        states = {fit.heads[place].state for name, fit in fits.items() if name == likelier or law == "either"}
        state = head.state if len(states) == 1 or head.state != "off" else "not separated"
        heads.append(HeadOffset(head.head, head.offset_m, head.half_m, state, head.odds, head.would_show_m))
    return likelier, heads


def head_rows(fits: Mapping[str, HeadFit], law: str, perimeter: Perimeter) -> list[dict[str, Any]]:
    """Rows of the table walk_heads."""
    likelier, heads = _named(fits, law)
    rows = []
    for one in heads:
        zone_id, pair, end = one.head
        of_pair = perimeter.zones[zone_id].pairs[pair]
        rows.append(
            {
                "head_id": ids.head_id(zone_id, of_pair.level, transmitter=end == 0),
                "zone_id": zone_id,
                "stated_m": of_pair.tx_height_m if end == 0 else of_pair.rx_height_m,
                "offset_m": one.offset_m,
                "half_m": one.half_m,
                "state": one.state,
                "would_show_m": one.would_show_m if np.isfinite(one.would_show_m) else None,
                "law": likelier,
            }
        )
    return rows


def together_words(rows: Sequence[Mapping[str, Any]], fits: Mapping[str, HeadFit], law: str) -> list[str]:
    """What the fit says, what follows from it, and what the walk cannot say; ``rows`` : of the table walk_heads."""
    fit = fits[rows[0]["law"]]
    under = f"the {law}" if law != "either" else f"the {rows[0]['law']} (the other law explains the results alike)"
    said = [f"law, threshold and head heights together: {under}, m0 {fit.m0:.2f} ({fit.low:.2f} to {fit.high:.2f})"]
    off = [row for row in rows if row["state"] == "off"]
    said += [
        f"{row['head_id']} hangs {abs(row['offset_m']):.2f} m {'lower' if row['offset_m'] < 0 else 'higher'} than "
        f"stated, within {row['half_m']:.2f} m: measure it; hang it as planned, or put its height into the layer heads "
        "and run gaps, then walk again"
        for row in off
    ]
    apart = [row["head_id"] for row in rows if row["state"] == "not separated"]
    if apart:
        said.append(f"the walk cannot tell apart which is off, measure both ends of each: {', '.join(apart)}")
    if not off and not apart:
        said.append("no head is shown to hang off its stated height")
    silent = sum(row["state"] == "not shown" for row in rows)
    said.append(
        f"of {len(rows)} heads the walk says nothing of {silent} (no offset up to 0.15 m would have shown); heads that "
        "are all off alike would look like another threshold"
    )
    return said
