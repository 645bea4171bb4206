"""Channels that a person settled: taken as they stand, or locked while the others are given out anew; what changed."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from geotools.engine.step import StepContext
from geotools.errors import InputError
from geotools.plan.changes import Change, change_rows, others_kept
from geotools.plan.schema import CHANGES, ZONES
from geotools.steps.channels.radio_heads import RadioHeads

__all__ = ["changes_of", "kept_channels", "locked_channels", "set_by_hand"]


def kept_channels(heads: RadioHeads) -> NDArray[np.intp]:
    """The channel of every zone as it stands; InputError where it is missing or differs within a stack."""
    result = np.empty(len(heads.groups), dtype=np.intp)
    for group, rows in heads.by_group():
        given = set(rows["channel"].astype(float).tolist())
        if len(given) != 1 or any(np.isnan(c) for c in given):
            raise InputError(
                "heads that share a channel have different channels, or none",
                where=f"layer heads, {group}",
                found=", ".join(f"{h} {c}" for h, c in zip(rows["head_id"], rows["channel"], strict=True)),
                expected="one channel at both ends, for the stack or (channels.shared_in_stack = false) for each level",
                mend="correct the field channel, or run channels without keep",
            )
        result[heads.groups.index(str(group))] = int(given.pop())
    return result


def set_by_hand(ctx: StepContext, heads: RadioHeads) -> bool:
    """Whether the heads were edited by hand and have a channel for every zone: it stays as it stands."""
    if "heads" not in ctx.kept or (locked_channels(ctx, heads) >= 0).any() or heads.frame["channel"].isna().any():
        return False
    if any(rows["channel"].nunique() != 1 for _, rows in heads.by_group()):
        return False
    ctx.say("channels stay as they stand, as the heads were edited by hand")
    return True


def locked_channels(ctx: StepContext, heads: RadioHeads) -> NDArray[np.intp]:
    """Channel of every group that is locked to it, from 0; -1 for the others.

    Locked by a head of the group (``locked`` is ``channel`` or ``all``) or by its zone. InputError where such a head
    has no channel, heads of one group are locked to different ones, or there are not so many.
    """
    zones = ctx.read(ZONES) if ctx.workspace.has(ZONES) else None
    whole = set() if zones is None else set(zones.loc[zones["locked"].fillna(False).astype(bool), "zone_id"])
    result = np.full(len(heads.groups), -1, dtype=np.intp)
    available = ctx.site.channels.available
    for group, rows in heads.by_group():
        held = rows[rows["locked"].isin(["channel", "all"]) | rows["zone_id"].isin(whole)]
        given = set(held["channel"].astype(float).tolist())
        # a zone may be locked before its channel was ever given out
        if given and all(np.isnan(c) for c in given) and not held["locked"].isin(["channel", "all"]).any():
            continue
        if not given:
            continue
        if len(given) != 1 or any(np.isnan(c) for c in given) or min(given) < 1 or max(given) > (available or np.inf):
            raise InputError(
                "heads are locked to different channels, to none, or to one that there is not",
                where=f"layer heads, {group}",
                found=", ".join(f"{h} {c}" for h, c in zip(held["head_id"], held["channel"], strict=True)),
                expected="one channel" + (f" from 1 to {available} (channels.available)" if available else " from 1"),
                mend="correct the field channel, or clear the field locked",
            )
        result[heads.groups.index(str(group))] = int(given.pop()) - 1
    return result


def changes_of(ctx: StepContext, heads: RadioHeads, channel: NDArray[np.intp]) -> list[dict[str, Any]]:
    """Rows of the layer ``changes``: those of other steps, and a row for every group whose channel is another.

    Parameters
    ----------
    ctx : of the run. heads : with their channels as they were. channel : (groups,) as they are, from 1.
    """
    reason = "; ".join(ctx.causes[:3]) or "given out anew"
    found = []
    for name, rows in heads.by_group():
        was, now = rows["channel"].dropna().astype(int).tolist(), int(channel[heads.groups.index(str(name))])
        if not was or was[0] == now:
            continue
        at = rows.geometry.iloc[0]
        found.append(
            Change("channel", str(name), str(rows["zone_id"].iloc[0]), str(was[0]), str(now), reason, 0.0, (at.x, at.y))
        )
    if found:
        ctx.say(f"{len(found)} channels changed against the plan before; see layer changes")
    kept = others_kept(ctx.read(CHANGES).to_dict("records"), "channels") if ctx.workspace.has(CHANGES) else []
    return kept + change_rows("channels", found)
