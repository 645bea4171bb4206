"""Heads added to the posts that stand, where the stack now has a level that a zone lacks; nothing else changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from geotools.beam import HeadType
from geotools.plan.model import BeamPair, Head, Zone
from geotools.site import Level

__all__ = ["with_missing_levels"]

_TURNED = {"vertical": "horizontal", "horizontal": "vertical"}


def _polarisation(level: Level, kind: HeadType, heads: Sequence[Head]) -> str:
    """Crossed to the head of its band nearest in height, which stays as it is; else as the stack has it."""
    band = [head for head in heads if round(head.band_ghz) == round(kind.frequency_hz / 1e9)]
    if not band:
        return str(level.polarisation or "vertical")
    return _TURNED[min(band, key=lambda head: abs(head.height_m - level.height_m)).polarisation]


def with_missing_levels(
    zone: Zone, levels: Sequence[Level], kinds: Mapping[str, HeadType], *, channel_shared: bool
) -> Zone:
    """The zone with a pair of heads more for every level of the stack that it lacks.

    Parameters
    ----------
    zone : with its heads as they stand; they and the posts stay as they are.
    levels : the stack that the site file asks for.
    kinds : head types by name.
    channel_shared : whether the new heads take the zone's channel.
    """
    there = {head.level for head in zone.heads}
    for level in levels:
        if level.level in there:
            continue
        kind = kinds[level.head_type]
        turned = _polarisation(level, kind, zone.heads)
        channels = {head.channel for head in zone.heads}
        wider = zone.with_pair(BeamPair(level.level, kind, level.height_m, level.height_m))
        given = channels.pop() if channel_shared and len(channels) == 1 else None
        heads = tuple(
            replace(head, polarisation=turned, channel=given) if head.level == level.level else head
            for head in wider.heads
        )
        zone = replace(wider, heads=heads)
    return zone
