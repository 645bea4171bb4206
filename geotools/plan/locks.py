"""What is locked in a plan: heads, posts and zones that no proposal may change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd

from geotools.plan.zones import is_yes, text_of

__all__ = ["Locks", "locks_of"]


@dataclass(frozen=True)
class Locks:
    """What stays as it stands.

    Attributes
    ----------
    zones : frozenset of str
        Zones that stay with their posts and heads.
    heads : mapping of (str, str) to tuple of str
        Heads that keep their height, by zone and level of the stack.
    posts : mapping of str to tuple of str
        Heads that keep their post where it is, by zone.
    """

    zones: frozenset[str] = frozenset()
    heads: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)
    posts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def fixed(self) -> frozenset[tuple[str, str]]:
        """Zone and level of the pairs of heads that keep their heights."""
        return frozenset(self.heads)

    def keeps_heads(self, zone_id: str) -> bool:
        """Whether no head may be added to a zone's posts."""
        return zone_id in self.zones

    def keeps_posts(self, zone_id: str) -> bool:
        """Whether a zone's line may not be moved."""
        return zone_id in self.zones or zone_id in self.posts

    def keeps_whole(self, zone_id: str) -> bool:
        """Whether a zone may not be split: half of its heads would get other partners."""
        return zone_id in self.zones or any(zone == zone_id for zone, _ in self.heads)

    def words(self, zone_id: str) -> str:
        """What of a zone is locked and what that keeps from being proposed, in sentences; empty where nothing is."""
        if zone_id in self.zones:
            return f"Zone {zone_id} is locked: its heads are not set, added or moved, and it is not split."
        said = []
        heads = sorted(name for (zone, _), names in self.heads.items() if zone == zone_id for name in names)
        posts = sorted(set(self.posts.get(zone_id, ())) - set(heads))
        if heads:
            said.append(f"Locked heads {', '.join(heads)}: not set to another height, the line not moved or split.")
        if posts:
            said.append(f"Locked posts of {', '.join(posts)}: the line is not moved.")
        return " ".join(said)


def locks_of(zones: gpd.GeoDataFrame, heads: gpd.GeoDataFrame | None) -> Locks:
    """What the layers zones and heads say is locked; frames that a caller hands in may come without the field.

    Parameters
    ----------
    zones : GeoDataFrame
        Layer zones.
    heads : GeoDataFrame or None
        Layer heads; None where the plan has none.
    """
    whole = frozenset(str(row.zone_id) for row in zones.itertuples() if is_yes(getattr(row, "locked", None)))
    by_level: dict[tuple[str, str], tuple[str, ...]] = {}
    posts: dict[str, tuple[str, ...]] = {}
    for row in heads.itertuples() if heads is not None else ():
        lock, zone_id = text_of(getattr(row, "locked", None)), str(row.zone_id)
        if lock in ("head", "all") or zone_id in whole:
            key = zone_id, str(row.level)
            by_level[key] = (*by_level.get(key, ()), str(row.head_id))
        if lock in ("post", "head", "all") or zone_id in whole:
            posts[zone_id] = (*posts.get(zone_id, ()), str(row.head_id))
    return Locks(whole, by_level, posts)
