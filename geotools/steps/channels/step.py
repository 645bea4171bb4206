"""Declaration of the channels step: heads in; heads with channel and margin out, or the heads that have no solution."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import Point

from geotools.detection.from_plan import head_types_of
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InfeasibleError
from geotools.io.crs import metres_per_unit
from geotools.plan import cautions
from geotools.plan.schema import BEAMS, CHANGES, CONFLICTS, FENCE, HEADS, ZONES
from geotools.plan.workspace import frame_of
from geotools.plan.zones import zones_of_heads
from geotools.steps.channels.kernel import (
    HeadMargins,
    critical_zones,
    head_margins,
    zone_margins,
    zones_to_channels,
)
from geotools.steps.channels.radio_heads import RadioHeads, margins_of
from geotools.steps.channels.settled import changes_of, kept_channels, locked_channels, set_by_hand

Row = dict[str, Any]
#: The layout's sheets are made anew, with channels.
_SHEETS = "stacks.pdf"


def _no_solution(heads: RadioHeads, zones: NDArray[np.float64], needed: int, available: int) -> InfeasibleError:
    named = critical_zones(zones, available)
    names = [heads.groups[k] for k in named]
    senders = heads.transmitters.loc[np.isin(heads.tx_group, named), "head_id"]
    shown = ", ".join(senders[:20]) + (f" and {len(senders) - 20} more" if len(senders) > 20 else "")
    return InfeasibleError(
        "there are too few channels",
        where=f"zones {', '.join(names)}",
        found=f"{needed} channels needed; these {len(names)} zones cannot share {available}: transmitters {shown}",
        expected=f"at most {available} (channels.available)",
        mend="use heads with more channels, turn the polarisation of some of these zones, move a head so that it no "
        "longer looks along the others, or lower channels.protection_db where the maker allows it",
    )


def _conflict(rule: str, zone_id: str, head: Any, others: str, found: str, expected: str) -> Row:
    return {
        "conflict_id": f"{rule.replace(' ', '-')}/{head.head_id}",
        "step": "channels",
        "rule": rule,
        "zone_id": zone_id,
        "head_ids": f"{head.head_id} {others}".strip(),
        "found": found,
        "expected": expected,
        "mend": "give one of the zones another channel, turn its polarisation, or move a head",
        "geometry": Point(head.geometry.x, head.geometry.y),
    }


def _conflicts(heads: RadioHeads, margins: HeadMargins) -> list[Row]:
    rows = []
    for k, head in enumerate(heads.receivers.itertuples()):
        worst = int(margins.worst_transmitter[k])
        if worst < 0:
            continue
        other = str(heads.transmitters["head_id"][worst])
        if margins.receiver_db[k] < 0:
            text = f"margin {margins.receiver_db[k]:.1f} dB against {other}"
            rows.append(
                _conflict("channel received by a foreign receiver", head.zone_id, head, other, text, "0 dB or more")
            )
        elif margins.summed_db[k] < 0:
            text = f"margin {margins.summed_db[k]:.1f} dB, all together; the strongest is {other}"
            rows.append(_conflict("unwanted signals together", head.zone_id, head, other, text, "0 dB or more"))
    return rows


def run(ctx: StepContext) -> StepResult:
    """Give every zone a channel, or check those it has; see the manual beside this file."""
    heads = RadioHeads(ctx)
    settings = ctx.site.channels
    pairs = margins_of(ctx, heads)
    if ctx.params["keep"] or set_by_hand(ctx, heads):
        channel = kept_channels(heads)
        count, fewest, optimal = len(set(channel.tolist())), None, True
    else:
        assigned = zones_to_channels(
            pairs,
            heads.rx_group,
            heads.tx_group,
            protection_db=settings.protection_db,
            available=settings.available,
            locked=locked_channels(ctx, heads),
        )
        count, fewest, optimal = assigned.channels, assigned.fewest, assigned.optimal
        if settings.available is not None and count > settings.available:
            zones = zone_margins(pairs, heads.rx_group, heads.tx_group, len(heads.groups))
            raise _no_solution(heads, zones, count, settings.available)
        if settings.available is None and count > fewest:
            ctx.say(
                f"{fewest} channels keep every two zones apart; {count} also keep all unwanted signals together down"
            )
        channel = assigned.channel + 1
        if not optimal:
            ctx.warn(
                f"{count} channels work; whether more margin or fewer channels are possible could not be shown in time"
            )
    margins = head_margins(pairs, heads.rx_group, heads.tx_group, channel, protection_db=settings.protection_db)
    rows = heads.frame.to_dict("records")
    number = {name: k for k, name in enumerate(heads.groups)}
    rx = {name: k for k, name in enumerate(heads.receivers["head_id"])}
    tx = {name: k for k, name in enumerate(heads.transmitters["head_id"])}
    for row in rows:
        name = row["head_id"]
        if name in rx:
            value, other, names = margins.receiver_db[rx[name]], margins.worst_transmitter[rx[name]], heads.transmitters
        else:
            value, other, names = margins.transmitter_db[tx[name]], margins.worst_receiver[tx[name]], heads.receivers
        row["channel"] = int(channel[number[heads.group_of(row)]])
        row["margin_db"] = round(float(value), 3) if np.isfinite(value) else None
        row["interferer_head_id"] = str(names["head_id"][int(other)]) if other >= 0 else None
    rows += heads.alone.to_dict("records")
    conflicts = _conflicts(heads, margins)
    if ctx.workspace.has(CONFLICTS):
        kept = [row for row in ctx.read(CONFLICTS).to_dict("records") if row["step"] != "channels"]
    else:
        kept = []
    finite = margins.receiver_db[np.isfinite(margins.receiver_db)]
    least = f"least margin {finite.min():.1f} dB" if finite.size else "no zone receives another on its channel"
    what = "zones" if heads.shared else "beams"
    plural = "" if count == 1 else "s"
    given = (
        f"{count} channel{plural} needed" if settings.available is None else f"{count} of {settings.available} channels"
    )
    ctx.say(f"{given} for {len(heads.groups)} {what}; {least}")
    if settings.available is None and finite.size:
        ctx.say("with channels.available in the site file all channels are used, which can only raise the margin")
    for rule in sorted({row["rule"] for row in conflicts}):
        named = [row["head_ids"].split()[0] for row in conflicts if row["rule"] == rule]
        ctx.warn(f"{rule}: {', '.join(named[:5])}{' ...' if len(named) > 5 else ''}; see layer conflicts")
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.plan.stack_sheets import StackPaper, fence_tops, stack_sheets

    fences = fence_tops(ctx.read(FENCE)) if ctx.workspace.has(FENCE) else {}
    paper = StackPaper(ctx.site.recipient, metres_per_unit(ctx.workspace.plan_crs))
    stacked = zones_of_heads(rows, head_types_of(ctx.site))
    stack_sheets(ctx.scratch / _SHEETS, stacked, ctx.site.name, fences, paper=paper)
    crs = ctx.workspace.work_crs
    return StepResult(
        files=[_SHEETS],
        layers={
            "heads": frame_of(HEADS, rows, crs),
            "conflicts": frame_of(CONFLICTS, kept + conflicts, crs),
            "changes": frame_of(CHANGES, changes_of(ctx, heads, channel), crs),
        },
        summary={
            "channels": count,
            "fewest_for_pairs": fewest,
            "available": settings.available,
            "least_margin_db": round(float(finite.min()), 3) if finite.size else None,
            "optimality_shown": bool(optimal and not ctx.params["keep"]),
            "conflicts_found": len(conflicts),
        },
    )


STEP = Step(
    name="channels",
    title="Assign channels",
    summary="Gives each zone a channel: no receiver receives a foreign transmitter, all channels used, largest margin.",
    run=run,
    params=(
        Param(
            "keep", "flag", "take the channels as they stand in the plan and only compute their margins", default=False
        ),
    ),
    inputs=(
        LayerIn(HEADS, "where every head stands, where it is aimed and how it is polarised"),
        LayerIn(BEAMS, "which transmitter each receiver belongs to"),
        LayerIn(FENCE, "its height, for the drawing", required=False),
        LayerIn(CONFLICTS, "conflicts of other steps, which stay", required=False),
        LayerIn(ZONES, "zones that are locked keep their channel", required=False),
        LayerIn(CHANGES, "changes by other steps, which stay", required=False),
    ),
    outputs=(LayerOut(HEADS, updates=True), LayerOut(CONFLICTS, updates=True), LayerOut(CHANGES, updates=True)),
    files=(FileOut(_SHEETS, "document", "every post from the side, with its channel", updates=True),),
    order=25,
    citations=(
        "ITU-R P.525-4 (2019), clause 2.3: free-space loss (edition and clause from memory)",
        "ITU-R P.526-15 (2019), clause 4.1: single knife edge (from memory; a later edition may be in force)",
        "Brelaz, Communications of the ACM 22, 1979 (DSATUR)",
        "protection, lobes and cross-polar loss: common practice, no source",
    ),
    cautions=(
        cautions.RADIO,
        "The head maker's data overrule the defaults used here.",
        "Margins are for the heads of this plan alone: other users of the band are not known to it.",
    ),
)
