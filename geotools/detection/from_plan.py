"""From a plan's layers to the zones, heads and rules that detection works on."""

from __future__ import annotations

import geopandas as gpd

from geotools.beam import HeadType, Target
from geotools.corridor import BeamLine
from geotools.detection.perimeter import Rules
from geotools.errors import StepError
from geotools.plan.model import BeamPair, Zone
from geotools.site import Site

__all__ = ["head_type_of", "head_types_of", "rules_of", "zone_with", "zones_of"]


def head_type_of(site: Site, name: str) -> HeadType:
    """A head type of the site as the beam model takes it."""
    kind = site.all_head_types[name]
    return HeadType(name, kind.frequency_ghz * 1e9, kind.beamwidth_az_deg, kind.beamwidth_el_deg, kind.max_range_m)


def head_types_of(site: Site) -> dict[str, HeadType]:
    """All head types of the site by name."""
    return {name: head_type_of(site, name) for name in site.all_head_types}


def rules_of(site: Site) -> Rules:
    """Threshold, strip and targets as the site file has them."""
    targets = {}
    for threat in site.threats:
        t = site.all_targets[threat]
        targets[threat] = Target(threat, t.height_m, t.width_m, t.base_m)
    d = site.detection
    return Rules(d.threshold, d.half_width_m, d.spacing_m, targets, d.grass_m)


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
