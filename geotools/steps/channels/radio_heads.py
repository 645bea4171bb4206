"""The heads of a plan as the interference model takes them, and the margins between them with the terrain."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from geotools.beam.interference import HeadArray, reception
from geotools.engine.step import StepContext
from geotools.errors import InputError
from geotools.plan.schema import BEAMS, HEADS
from geotools.steps.channels.kernel import in_blocks, pair_margins
from geotools.terrain.band_grid import BandGrid

__all__ = ["RadioHeads", "margins_of"]

#: Terrain is looked up only where it can decide: pairs with more margin than this without it are apart anyway.
_TERRAIN_BELOW_DB = 10.0
#: Ground looked up along unwanted paths.
_CELL_M = 2.0


class RadioHeads:
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


def margins_of(ctx: StepContext, heads: RadioHeads) -> NDArray[np.float64]:
    """Margin of every receiver against every transmitter, terrain included where it can decide."""
    settings = ctx.site.channels
    receivers, transmitters = heads.array(heads.receivers), heads.array(heads.transmitters)
    blocks = list(in_blocks(len(receivers)))
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
        (block.start + r, t)
        for block, ask in zip(blocks, asked, strict=True)
        for r, t in zip(*np.nonzero(ask), strict=True)
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
        # the wanted paths are left out: their own terrain is the detection step's question
        found[block] = pair_margins(with_terrain.level_db, heads.own[block], protection_db=settings.protection_db)
    return found
