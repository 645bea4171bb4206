"""Heads, beams and ground of the one state that papers for the field show: existing, or proposed as remedy left it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.detection.chains import perimeter_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.from_plan import design_of
from geotools.earthwork.proposal import proposed_zones
from geotools.earthwork.proposed_heads import planned_zones
from geotools.engine.step import StepContext
from geotools.plan.model import Zone
from geotools.plan.paper_state import PaperState, StateKind, heads_code
from geotools.plan.schema import BEAMS, HEADS, PROPOSED_HEADS
from geotools.plan.workspace import frame_of
from geotools.plan.zones import beam_rows, head_rows
from geotools.site import Site
from geotools.terrain.design import DesignSurface

__all__ = ["PlannedState", "laid_out_state", "planned_state", "proposed_paper"]


@dataclass(frozen=True)
class PlannedState:
    """One state of a plan.

    Attributes
    ----------
    paper : PaperState
        What papers say of it.
    heads, beams : GeoDataFrame
        Rows as of the layers of those names; ground of the heads as finished.
    moved_m : (n,) array
        Fill (positive) or cut that finishes the ground at each head, m.
    """

    paper: PaperState
    heads: gpd.GeoDataFrame
    beams: gpd.GeoDataFrame
    moved_m: npt.NDArray[np.float64]
    _ctx: StepContext
    _proposed: Perimeter | None = None

    @property
    def proposes(self) -> bool:
        """Whether this is a proposal on top of the plan, for which the plan's own verdicts do not hold."""
        return self._proposed is not None

    @cached_property
    def perimeter(self) -> Perimeter:
        """Every zone of the state on its ground; InputError where the ground has no level under a strip."""
        if self._proposed is not None:
            return self._proposed
        return perimeter_of(self._ctx.site, self._ctx.read, self._ctx.terrain, self._ctx.warn)


def planned_state(ctx: StepContext, requested: str | None = None) -> PlannedState:
    """The state that a paper shows.

    Parameters
    ----------
    ctx : StepContext
        Of a step that reads fence, zones, heads, beams and proposed_heads.
    requested : {"proposed", "existing"}, optional
        Which one; as ``sheets.state`` of the site file says if not given. Where the plan holds no proposal there is
        the existing one alone.

    Returns
    -------
    PlannedState
        A site that `geotools apply` made is the proposed state itself, and is named so.
    """
    wanted = requested or ctx.site.sheets.state
    if wanted == "existing" or not ctx.workspace.has(PROPOSED_HEADS):
        heads, beams = ctx.read(HEADS), ctx.read(BEAMS)
        return PlannedState(laid_out_state(ctx.site, heads), heads, beams, np.zeros(len(heads)), ctx)
    return _proposed_state(ctx)


def _with_others(rows: gpd.GeoDataFrame, laid_out: gpd.GeoDataFrame, known: Collection[str]) -> gpd.GeoDataFrame:
    """The rows, and at their end those of the layout whose zone is not known."""
    others = laid_out[~laid_out["zone_id"].isin(list(known))]
    if others.empty:
        return rows
    return gpd.GeoDataFrame(pd.concat([rows, others], ignore_index=True), geometry="geometry", crs=rows.crs)


def laid_out_state(site: Site, heads: gpd.GeoDataFrame) -> PaperState:
    """What a paper says that shows the heads as the plan has them; ``heads`` : layer heads."""
    return _paper(site, "existing" if site.input.works is None else "proposed", heads)


def _paper(site: Site, kind: StateKind, heads: gpd.GeoDataFrame) -> PaperState:
    sheets = site.sheets
    return PaperState(kind, sheets.revision, sheets.date, heads_code(heads.to_dict("records")))


def proposed_paper(
    ctx: StepContext, existing: Perimeter, becomes: Mapping[str, Sequence[Zone]], surface: DesignSurface
) -> PaperState:
    """What a paper says that shows the proposed state; parameters as the step has them at hand."""
    return _paper(ctx.site, "proposed", _proposed_rows(ctx, existing, becomes, surface)[0])


def _proposed_rows(
    ctx: StepContext, existing: Perimeter, becomes: Mapping[str, Sequence[Zone]], surface: DesignSurface
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Heads and beams of the proposed state."""
    zones = planned_zones(ctx.site, existing.zones, becomes, ctx.read(HEADS), surface)
    crs = ctx.workspace.work_crs
    heads = frame_of(HEADS, [row for zone in zones for row in head_rows(zone, (None, None))], crs)
    beams = frame_of(BEAMS, [row for zone in zones for row in beam_rows(zone)], crs)
    # a zone without an answer has no proposal: it stands as it is laid out
    heads = _with_others(heads, ctx.read(HEADS), existing.zones)
    return heads, _with_others(beams, ctx.read(BEAMS), existing.zones)


def _proposed_state(ctx: StepContext) -> PlannedState:
    existing = perimeter_of(ctx.site, ctx.read, ctx.terrain, ctx.warn)
    surface = design_of(ctx.site, existing, ctx.terrain, ctx.workspace.folder, ctx.workspace.plan_crs)
    becomes = proposed_zones(ctx.site, existing, ctx.read(PROPOSED_HEADS))
    heads, beams = _proposed_rows(ctx, existing, becomes, surface)
    moved = np.asarray(surface.change_at(heads.geometry.x.to_numpy(), heads.geometry.y.to_numpy()), float)
    perimeter = existing.with_zones(becomes, surface)
    return PlannedState(_paper(ctx.site, "proposed", heads), heads, beams, moved, ctx, perimeter)
