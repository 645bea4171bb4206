"""Heads of a layout kept out of ground-reflection nulls: heights are changed where they may be, the rest is listed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from geotools.beam.standing import NULL_DB
from geotools.detection.cases import Rules
from geotools.detection.null_heights import NullFinding, NullRules, find_nulls
from geotools.plan import ids
from geotools.plan.model import Head, Zone
from geotools.steps.layout.checks import Conflict
from geotools.terrain.design import Ground

__all__ = ["MovedHeads", "NullHeights", "moved_words"]

#: Rules of the layer conflicts.
IN_NULL, GRAZES = "beam in a null", "beam grazes the ground"
#: Pairs of heads named in one message.
_SHOWN = 4


@dataclass(frozen=True)
class MovedHeads:
    """A pair of heads that the layout sets to another height than the stack has.

    beam_id : of the pair. stack_m, height_m : of the stack, and as it is set, m. before_db, after_db : least standing
    level with the posts settled, there and here.
    """

    beam_id: str
    stack_m: float
    height_m: float
    before_db: float
    after_db: float


@dataclass(frozen=True)
class NullHeights:
    """Looks at every pair of heads, and sets those that may move.

    ground, rules, null : as of `find_nulls`. may_move : whether a head's height is the layout's to choose.
    """

    ground: Ground
    rules: Rules
    null: NullRules
    may_move: Callable[[Head], bool]

    def of_all(self, zones: Sequence[Zone]) -> tuple[list[Zone], list[MovedHeads], list[Conflict]]:
        """The zones with their heads set, which were, and the pairs that stand in a null all the same."""
        each = [self.applied(zone) for zone in zones]
        return (
            [zone for zone, _, _ in each],
            [one for _, moved, _ in each for one in moved],
            [one for _, _, listed in each for one in listed],
        )

    def applied(self, zone: Zone) -> tuple[Zone, list[MovedHeads], list[Conflict]]:
        """The zone with its heads set, which were, and the pairs that stand in a null all the same."""
        moved, better = zone, list[MovedHeads]()
        listed = list[Conflict]()
        clear, found = find_nulls(zone, self.ground, self.rules, self.null)
        for one in found:
            heads = [head for head in zone.heads if head.level == one.level]
            stays = one.grazes or zone.locked or not all(map(self.may_move, heads))
            if stays or one.clear_m is None or one.clear_db is None:
                locked = zone.locked or any(head.held for head in heads)
                listed.append(self._conflict(zone, one, locked=locked))
                continue
            pair = next(pair for pair in clear.pairs if pair.level == one.level)
            moved = moved.with_heights(one.level, pair.tx_height_m, pair.rx_height_m)
            beam = ids.beam_id(zone.zone_id, one.level)
            better.append(MovedHeads(beam, one.tx_height_m, one.clear_m, one.settled_db, one.clear_db))
        return moved, better, listed

    def _conflict(self, zone: Zone, one: NullFinding, *, locked: bool) -> Conflict:
        x, y = zone.line.to_map(zone.line.length / 2, 0.0)
        names = tuple(ids.head_id(zone.zone_id, one.level, transmitter=sends) for sends in (True, False))
        heights = " and ".join(f"{h:.2f}" for h in dict.fromkeys((one.tx_height_m, one.rx_height_m)))
        settled = f"{one.settled_db:.1f} dB with both settled by up to {self.null.settle_m:g} m"
        found = f"{one.level_db:.1f} dB at {heights} m, {settled}"
        more = "" if one.dead_more_m is None else f"{one.dead_more_m:.1f} m more undetected"
        if locked:
            mend = "its heads are locked at this height: unlock them"
            mend += ", or cut the crest under the beam (remedy)" if one.grazes else ""
        elif one.clear_m is not None:
            mend = f"set both heads to {one.clear_m:.2f} m (tried on the model: {one.clear_db:.1f} dB at the least)"
            mend += "; or cut the crest under the beam: remedy compares the prices" if one.grazes else ""
        elif one.grazes:
            mend = "cut the crest under the beam (remedy says at what price), or end a zone on it"
            mend += f"; heights at which it grazes no more leave {more}" if more else ""
        else:
            mend = "another length of zone, or wider height limits of the stack"
            mend += f"; heights that leave the null leave {more}" if more else ""
        return Conflict(
            GRAZES if one.grazes else IN_NULL,
            zone.zone_id,
            names,
            (float(x), float(y)),
            found,
            f"{NULL_DB:g} dB or above against free space",
            mend,
        )


def moved_words(moved: Sequence[MovedHeads], settle_m: float) -> str:
    """Which heads stand at another height than the stack has, in one sentence."""
    each = [
        f"{one.beam_id} at {one.height_m:.2f} m in place of {one.stack_m:.2f} m "
        f"({one.before_db:.1f} dB there, {one.after_db:.1f} dB here)"
        for one in moved
    ]
    more = f" and {len(each) - _SHOWN} more" if len(each) > _SHOWN else ""
    return (
        f"heights changed so that no ground-reflection null comes within {settle_m:g} m of settlement: "
        f"{', '.join(each[:_SHOWN])}{more}"
    )
