"""Declaration of the channels step: heads in; heads with channel and margin out, or the heads that have no solution."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from shapely import Point

from geotools.beam.interference import HeadArray, reception
from geotools.detection.from_plan import head_types_of
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InfeasibleError, InputError
from geotools.plan import cautions
from geotools.plan.schema import BEAMS, CONFLICTS, FENCE, HEADS
from geotools.plan.workspace import frame_of
from geotools.plan.zones import zones_of_heads
from geotools.steps.channels.kernel import (
    HeadMargins,
    critical_zones,
    head_margins,
    pair_margins,
    zone_margins,
    zones_to_channels,
)
from geotools.terrain.band_grid import BandGrid

Row = dict[str, Any]
#: Terrain is asked only where it can decide: pairs with more margin than this without it are apart anyway.
_TERRAIN_BELOW_DB = 10.0
#: The layout's sheets are made anew, with channels.
_SHEETS = "stacks.pdf"
#: Receivers dealt with at a time.
_BLOCK = 256
#: Ground looked up along unwanted paths.
_CELL_M = 2.0


class _RadioHeads:
    """The heads of the plan as arrays, receivers and transmitters apart."""

    def __init__(self, ctx: StepContext) -> None:
        every, beams = ctx.read(HEADS), ctx.read(BEAMS)
        # a head whose partner was deleted sends to nobody, and needs no channel
        single = every.groupby(["zone_id", "level"])["head_id"].transform("size") == 1
        alone = single & ~every["head_id"].isin([*beams["tx_head_id"], *beams["rx_head_id"]])
        self.frame, self.alone = every[~alone].reset_index(drop=True), every[alone]
        self.kinds = ctx.site.all_head_types
        self.shared = ctx.site.channels.shared_in_stack
        unknown = sorted(set(self.frame["head_type"]) - set(self.kinds))
        if unknown:
            raise InputError(
                "a head is of a type that the site file does not have",
                where="layer heads",
                found=", ".join(unknown),
                expected=", ".join(self.kinds),
            )
        self.receivers = self.frame[self.frame["role"] == "receiver"].reset_index(drop=True)
        self.transmitters = self.frame[self.frame["role"] == "transmitter"].reset_index(drop=True)
        #: What shares one channel: a zone, or one level of its stack where levels have channels of their own.
        self.groups = sorted(set(self._groups(self.frame)))
        number = {name: k for k, name in enumerate(self.groups)}
        self.rx_group, self.tx_group = (
            np.array([number[name] for name in self._groups(frame)], dtype=np.intp)
            for frame in (self.receivers, self.transmitters)
        )
        place = {name: k for k, name in enumerate(self.transmitters["head_id"])}
        partner = dict(zip(beams["rx_head_id"], beams["tx_head_id"], strict=True))
        lost = [name for name in self.receivers["head_id"] if partner.get(name) not in place]
        if lost or not len(self.receivers):
            raise InputError(
                "a receiver has no transmitter",
                where="layers heads and beams",
                found=", ".join(lost[:5]) or "no receivers",
                expected="one beam to each receiver",
                mend="run `geotools layout` again, with --keep to keep the heads where they stand",
            )
        self.own = np.array([place[partner[name]] for name in self.receivers["head_id"]], dtype=np.intp)

    def group_of(self, head: Mapping[str, Any]) -> str:
        """Name of the group whose channel a head takes."""
        return str(head["zone_id"]) if self.shared else f"{head['zone_id']} {head['level']}"

    def _groups(self, frame: gpd.GeoDataFrame) -> list[str]:
        return [self.group_of(head) for head in frame[["zone_id", "level"]].to_dict("records")]

    def by_group(self) -> Iterator[tuple[str, gpd.GeoDataFrame]]:
        """The heads of each group that shares one channel, with its name."""
        yield from self.frame.groupby(np.array(self._groups(self.frame)))

    def array(self, frame: gpd.GeoDataFrame) -> HeadArray:
        """As the interference model takes them."""
        kinds = [self.kinds[name] for name in frame["head_type"]]
        return HeadArray(
            np.column_stack([frame.geometry.x, frame.geometry.y, frame.geometry.z]),
            frame["azimuth_deg"].to_numpy(float),
            frame["tilt_deg"].to_numpy(float),
            np.array([kind.frequency_ghz * 1e9 for kind in kinds]),
            np.array([kind.beamwidth_az_deg for kind in kinds]),
            np.array([kind.beamwidth_el_deg for kind in kinds]),
            (frame["polarisation"] == "vertical").to_numpy(),
        )


def _along_paths(a: NDArray[np.float64], b: NDArray[np.float64], spacing_m: float = 8.0) -> NDArray[np.float64]:
    """Places along many straight paths, thinned to one a square of that spacing, (n, 2)."""
    found: set[tuple[int, int]] = set()
    for start, end in zip(a[:, :2], b[:, :2], strict=True):
        count = max(2, int(np.ceil(np.hypot(*(end - start)) / spacing_m)) + 1)
        places = np.linspace(start, end, count)
        found.update(map(tuple, np.round(places / spacing_m).astype(int).tolist()))
    return np.array(sorted(found), dtype=np.float64) * spacing_m


def _the_same(ask: NDArray[np.bool_], level: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Pairs chosen beforehand, whatever their level."""
    return ask


def _margins(ctx: StepContext, heads: _RadioHeads) -> NDArray[np.float64]:
    """Margin of every receiver against every transmitter, terrain included where it can decide."""
    settings = ctx.site.channels
    receivers, transmitters = heads.array(heads.receivers), heads.array(heads.transmitters)
    blocks = [np.arange(lo, min(lo + _BLOCK, len(receivers))) for lo in range(0, len(receivers), _BLOCK)]
    lobes: dict[str, Any] = {"cross_polar_db": settings.cross_polar_db, "floor_db": settings.side_lobe_db}
    found = np.empty((len(receivers), len(transmitters)))
    asked: list[NDArray[np.bool_]] = []
    for done, block in enumerate(blocks):
        ctx.progress(done, 2 * len(blocks), "distance and patterns")
        level = reception(receivers[block], transmitters, **lobes).level_db
        found[block] = pair_margins(level, heads.own[block], protection_db=settings.protection_db)
        foreign = heads.rx_group[block][:, None] != heads.tx_group[None, :]
        asked.append(foreign & (found[block] < _TERRAIN_BELOW_DB))
    rows = [
        (block[r], t) for block, ask in zip(blocks, asked, strict=True) for r, t in zip(*np.nonzero(ask), strict=True)
    ]
    if not rows:
        return found
    r, t = np.array(rows).T
    spine = _along_paths(receivers.xyz[r], transmitters.xyz[t])
    ground = BandGrid(spine, 8.0, ctx.terrain.sample, cell_m=_CELL_M)
    for done, (block, ask) in enumerate(zip(blocks, asked, strict=True)):
        ctx.progress(len(blocks) + done, 2 * len(blocks), "terrain between heads")
        with_terrain = reception(
            receivers[block], transmitters, ground=ground, ask_terrain=partial(_the_same, ask), **lobes
        )
        # the wanted paths are not asked: their own terrain is the detection step's question
        found[block] = pair_margins(with_terrain.level_db, heads.own[block], protection_db=settings.protection_db)
    return found


def _no_solution(heads: _RadioHeads, zones: NDArray[np.float64], needed: int, available: int) -> InfeasibleError:
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


def _kept_channels(heads: _RadioHeads) -> NDArray[np.intp]:
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


def _set_by_hand(ctx: StepContext, heads: _RadioHeads) -> bool:
    """Whether the heads were edited by hand and have a channel for every zone: it stays as it stands."""
    if "heads" not in ctx.kept or heads.frame["channel"].isna().any():
        return False
    if any(rows["channel"].nunique() != 1 for _, rows in heads.by_group()):
        return False
    ctx.say("channels stay as they stand, as the heads were edited by hand")
    return True


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


def _conflicts(heads: _RadioHeads, margins: HeadMargins) -> list[Row]:
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
    heads = _RadioHeads(ctx)
    settings = ctx.site.channels
    # without a number of channels every group could have its own: the fewest that suffice are the need
    available = len(heads.groups) if settings.available is None else settings.available
    pairs = _margins(ctx, heads)
    zones = zone_margins(pairs, heads.rx_group, heads.tx_group, len(heads.groups))
    if ctx.params["keep"] or _set_by_hand(ctx, heads):
        channel = _kept_channels(heads)
        count, fewest, optimal = len(set(channel.tolist())), None, True
    else:
        assigned, fewest = zones_to_channels(
            pairs,
            heads.rx_group,
            heads.tx_group,
            protection_db=settings.protection_db,
            available=available,
        )
        count, optimal = assigned.channels, assigned.optimal
        if count > fewest:
            ctx.say(
                f"{fewest} channels keep every two zones apart; {count} also keep all unwanted signals together down"
            )
        if count > available:
            raise _no_solution(heads, zones, count, available)
        channel = assigned.channel + 1
        if not optimal:
            ctx.warn(
                f"{count} channels work; that fewer, or a larger margin, are impossible could not be shown in time"
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
    for rule in sorted({row["rule"] for row in conflicts}):
        named = [row["head_ids"].split()[0] for row in conflicts if row["rule"] == rule]
        ctx.warn(f"{rule}: {', '.join(named[:5])}{' ...' if len(named) > 5 else ''}; see layer conflicts")
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.plan.stack_sheets import fence_tops, stack_sheets

    fences = fence_tops(ctx.read(FENCE)) if ctx.workspace.has(FENCE) else {}
    stack_sheets(ctx.scratch / _SHEETS, zones_of_heads(rows, head_types_of(ctx.site)), ctx.site.name, fences)
    crs = ctx.workspace.work_crs
    return StepResult(
        files=[_SHEETS],
        layers={"heads": frame_of(HEADS, rows, crs), "conflicts": frame_of(CONFLICTS, kept + conflicts, crs)},
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
    summary="Assigns each zone a channel: no receiver receives a foreign transmitter, fewest channels, largest margin.",
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
    ),
    outputs=(LayerOut(HEADS, updates=True), LayerOut(CONFLICTS, updates=True)),
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
