"""Posts that a new design leaves where they stand: junctions of their own among the candidates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from geotools.steps.layout.candidate_nodes import Candidates, HeldNodes, HeldPost

__all__ = ["HeldZone", "with_held"]

#: Candidates nearer than this along the line to the junction of a post that stays are left out, m.
_BESIDE_M = 1.0
#: Of a short zone each junction lies within this share of its length from its post.
_SHARE = 0.45


@dataclass(frozen=True)
class HeldZone:
    """A zone as it stands, in the direction of the line; metres.

    start, end : (2,) its posts. holds : which of the two stay. starts_with_tx : which of them sends.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    holds: tuple[bool, bool]
    starts_with_tx: bool

    def turned(self) -> HeldZone:
        """The same along the line the other way."""
        return HeldZone(self.end, self.start, self.holds[::-1], not self.starts_with_tx)

    def junction(self, *, last: bool, past_m: float) -> NDArray[np.float64]:
        """The point that it shares with its neighbour where its beam runs ``past_m`` past that, (2,)."""
        along = self.end - self.start
        length = float(np.hypot(*along))
        inward = along / length * min(past_m, _SHARE * length)
        return self.end - inward if last else self.start + inward


def _in_between(chainage: NDArray[np.float64], start: float, end: float, length: float | None) -> NDArray[np.bool_]:
    """Chainages strictly between two; ``length`` : of a closed line, over whose seam the stretch may run."""
    if length is None:
        return (chainage > start) & (chainage < end)
    ahead = np.mod(chainage - start, length)
    return (ahead > 0) & (ahead < (end - start) % length)


def with_held(nodes: Candidates, line: LineString, zones: Sequence[HeldZone], past_m: float) -> Candidates:
    """The candidates with a forced junction, alone on its station, for every post that stays.

    Parameters
    ----------
    nodes : candidates along ``line``. zones : all zones as they stand, in the direction of the line.
    past_m : how far beams run past a junction. An open line's own ends have no junction: there the post counts.
    """
    closed = bool(line.is_closed)
    count = len(zones)
    places: list[NDArray[np.float64]] = []
    starts, ends = dict[int, HeldPost](), dict[int, HeldPost]()
    number: dict[tuple[int, bool], int] = {}
    for k in range(count + (not closed)):
        before, after = (k - 1) % count if closed or k else None, k % count if closed or k < count else None
        held_before = before is not None and zones[before].holds[1]
        held_after = after is not None and zones[after].holds[0]
        if not (held_before or held_after):
            continue
        run = past_m if before is not None and after is not None else 0.0
        here: list[NDArray[np.float64]] = []
        new = len(places)
        if held_before and before is not None:
            zone = zones[before]
            here.append(zone.junction(last=True, past_m=run))
            ends[new], number[before, True] = HeldPost(zone.end, not zone.starts_with_tx), new
        if held_after and after is not None:
            zone = zones[after]
            here.append(zone.junction(last=False, past_m=run))
            starts[new], number[after, False] = HeldPost(zone.start, zone.starts_with_tx), new
        places.append(np.mean(here, axis=0))
    if not places:
        return nodes
    xy = np.array(places)
    at = shapely.line_locate_point(line, shapely.points(xy))
    length = float(line.length) if closed else None
    spans = {(number[k, False], number[k, True]) for k in range(count) if all(zones[k].holds)}
    drop = np.zeros(nodes.chainage.size, dtype=bool)
    for place in at:
        gap = np.abs(nodes.chainage - place)
        drop |= (gap if length is None else np.minimum(gap, length - gap)) < _BESIDE_M
    for a, b in spans:
        drop |= _in_between(nodes.chainage, float(at[a]), float(at[b]), length)
    if not closed:
        drop |= (nodes.chainage < at[0]) & zones[0].holds[0]
        drop |= (nodes.chainage > at[-1]) & zones[-1].holds[1]
    return _merged(nodes, ~drop, xy, at, line).with_held(starts, ends, spans)


def _merged(
    nodes: Candidates, keep: NDArray[np.bool_], xy: NDArray[np.float64], at: NDArray[np.float64], line: LineString
) -> _Merged:
    """Candidates that stay and new ones, in order of chainage."""
    foot = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(line, np.minimum(at + 0.05, line.length)))
    back = shapely.get_coordinates(shapely.line_interpolate_point(line, np.maximum(at - 0.05, 0.0)))
    along, aside = ahead - back, xy - foot
    offset = (along[:, 0] * aside[:, 1] - along[:, 1] * aside[:, 0]) / np.hypot(along[:, 0], along[:, 1])
    chainage = np.concatenate([nodes.chainage[keep], at])
    order = np.argsort(chainage, kind="stable")
    _, station = np.unique(chainage[order], return_inverse=True)
    merged = Candidates(
        np.vstack([nodes.xy[keep], xy])[order],
        chainage[order],
        np.concatenate([nodes.offset[keep], offset])[order],
        station,
        np.concatenate([nodes.forced[keep], np.ones(len(at), dtype=bool)])[order],
    )
    place = np.empty(order.size, dtype=np.intp)
    place[order] = np.arange(order.size)
    return _Merged(merged, place[int(keep.sum()) :])


@dataclass(frozen=True)
class _Merged:
    """Candidates, and the numbers among them of those that were added, in their order."""

    nodes: Candidates
    added: NDArray[np.intp]

    def with_held(
        self, starts: dict[int, HeldPost], ends: dict[int, HeldPost], spans: set[tuple[int, int]]
    ) -> Candidates:
        """The candidates with what is held by the numbers of those that were added."""
        name = [int(k) for k in self.added]
        return replace(
            self.nodes,
            held=HeldNodes(
                {name[k]: post for k, post in starts.items()},
                {name[k]: post for k, post in ends.items()},
                frozenset((name[a], name[b]) for a, b in spans),
            ),
        )
