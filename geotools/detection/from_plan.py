"""From a plan's layers to the zones, heads and rules that detection works on."""

from __future__ import annotations

import geopandas as gpd
import numpy as np

from geotools.beam import HeadType, Target
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.errors import StepError
from geotools.plan.fence_pairs import fence_pairs
from geotools.plan.model import BeamPair, Zone
from geotools.site import Site
from geotools.site.catalogue import target_of
from geotools.site.stacks import height_unknown

__all__ = [
    "crossing_heights",
    "definition_of",
    "head_type_of",
    "head_types_of",
    "height_limits",
    "rules_of",
    "zone_with",
    "zones_of",
]


def head_type_of(site: Site, name: str) -> HeadType:
    """A head type of the site as the beam model takes it."""
    kind = site.all_head_types[name]
    return HeadType(name, kind.frequency_ghz * 1e9, kind.beamwidth_az_deg, kind.beamwidth_el_deg, kind.max_range_m)


def head_types_of(site: Site) -> dict[str, HeadType]:
    """All head types of the site by name."""
    return {name: head_type_of(site, name) for name in site.all_head_types}


def crossing_heights(site: Site, fences: gpd.GeoDataFrame) -> dict[str, float]:
    """How high somebody is who crosses at a fence's height, over the beams of each fence line, m.

    Parameters
    ----------
    site : Site
        Its threats, and the side of the fence that the beams stand on.
    fences : GeoDataFrame
        Layer fence.

    Returns
    -------
    dict of str to float
        By fence line: its height; with beams between two fences, half of both together, for midway a bridge from top
        to top is as high. Fence lines of unknown height are left out where no threat needs it.

    Raises
    ------
    SiteError
        A threat crosses a fence at its height, and that is not known.
    """
    stated = fences.height_m.notna() if "height_m" in fences else np.zeros(len(fences), dtype=bool)
    heights = {str(row.fence_id): float(row.height_m) for row in fences[stated].itertuples()}
    threats = [threat for threat in site.threats if site.all_targets[threat].over_fence]
    top = site.fence_height_m
    if top is not None:
        heights = {str(name): heights.get(str(name), top) for name in fences.fence_id}
    unknown = [str(name) for name in fences.fence_id if str(name) not in heights]
    if threats and unknown:
        raise height_unknown(threats, f"fence line {', '.join(unknown)}")
    if site.layout.side == "between" and not unknown and len(fences) > 1:
        lines = dict(zip(fences.fence_id.astype(str), fences.geometry, strict=True))
        for pair in fence_pairs(lines):
            heights |= dict.fromkeys(pair, (heights[pair[0]] + heights[pair[1]]) / 2)
    return heights


def rules_of(site: Site, fences: gpd.GeoDataFrame) -> Rules:
    """Threshold, strip and targets as the site file has them; threats that cross a fence at its height, so high.

    Parameters
    ----------
    site : Site
        Its threats and settings of detection.
    fences : GeoDataFrame
        Layer fence; SiteError where a height that is needed is not known.
    """
    heights = crossing_heights(site, fences)
    plain = {threat: target_of(threat, site.all_targets[threat]) for threat in site.threats}
    over = [threat for threat in site.threats if site.all_targets[threat].over_fence]
    by_fence = {
        name: {threat: target.raised(height) if threat in over else target for threat, target in plain.items()}
        for name, height in heights.items()
        if over
    }
    targets = by_fence[max(by_fence, key=lambda name: heights[name])] if by_fence else plain
    d = site.detection
    return Rules(d.threshold, d.half_width_m, d.spacing_m, targets, d.grass_m, by_fence)


def height_limits(site: Site, fences: gpd.GeoDataFrame) -> dict[str, tuple[float, float]]:
    """Lowest and highest height of the heads of each level, m; of several fence lines the widest."""
    found: dict[str, tuple[float, float]] = {}
    for height in dict.fromkeys(crossing_heights(site, fences).values()) or [None]:
        for level in site.stack_levels(height):
            low, high = level.limits_m
            before = found.get(level.level, (low, high))
            found[level.level] = min(before[0], low), max(before[1], high)
    return found


def definition_of(target: Target, over_fence: bool) -> str:
    """What a threat is taken to be, in words: its size and the height of its way."""
    way = f"underside {target.base_m:.2f} m up" if target.base_m else "on the ground"
    height = ", the fence's height" if over_fence else ""
    return f"{target.name}: {target.height_m:.2f} m high, {target.width_m:.2f} m wide, {way}{height}"


def zones_of(site: Site, beams: gpd.GeoDataFrame) -> list[Zone]:
    """Zones by name, from the plan's beams; StepError where the beams of a zone do not fit together."""
    zones = []
    for zone_id, rows in beams.sort_values(["zone_id", "beam_id"]).groupby("zone_id", sort=True):
        lines = [BeamLine.of(line) for line in rows.geometry]
        ends = {(round(li.x0, 3), round(li.y0, 3), round(li.x1, 3), round(li.y1, 3)) for li in lines}
        if len(ends) != 1:
            raise StepError(
                "the beams of one zone do not run between the same posts",
                where=f"layer beams, zone {zone_id}",
                found=f"{len(ends)} different lines",
                expected="one line from transmitter post to receiver post",
                mend="move all heads of a post together, or run layout again",
            )
        unknown = sorted(set(rows.head_type) - set(site.all_head_types))
        if unknown:
            raise StepError(
                "a beam names a head type that the site file does not have",
                where=f"layer beams, zone {zone_id}",
                found=", ".join(unknown),
                expected=", ".join(site.all_head_types),
            )
        pairs = [
            BeamPair(str(r.level), head_type_of(site, r.head_type), float(r.tx_height_m), float(r.rx_height_m))
            for r in rows.itertuples()
        ]
        zones.append(Zone(str(zone_id), lines[0], tuple(sorted(pairs, key=lambda p: p.tx_height_m + p.rx_height_m))))
    return zones


def zone_with(site: Site, zone: Zone, level: str, heights: tuple[float, float]) -> Zone:
    """The zone with one level's heads at these heights, transmitter and receiver; a level it lacks is added."""
    if any(p.level == level for p in zone.pairs):
        return zone.with_heights(level, *heights)
    rule = next((r for r in site.stack_rules if r.level == level), None)
    if rule is None:
        raise StepError(
            "the plan names a head level that the site's stack rules do not have",
            where=f"zone {zone.zone_id}",
            found=level,
            expected=", ".join(r.level for r in site.stack_rules),
            mend="run `geotools remedy` and `geotools grade` again",
        )
    return zone.with_pair(BeamPair(level, head_type_of(site, rule.head_type), *heights))
