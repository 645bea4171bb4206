"""The ways to close a zone's dead spots, each tried on the model and priced, and the one to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.corridor import BeamLine
from geotools.detection.height_search import HeightTrials, height_pairs
from geotools.detection.perimeter import HeadPair, Perimeter, ZoneSetup
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["Costs", "Option", "recommend", "zone_options"]


_WORTH_MIXING = 0.7


@dataclass(frozen=True)
class Costs:
    """Prices in one currency: earth per m3, worked ground per m2, heads and posts each."""

    cut_m3: float
    fill_m3: float
    surface_m2: float
    set_head: float
    head: float
    post: float


@dataclass(frozen=True)
class Option:
    """One way, tried. zones : the zone as it would be, two where it is split. moved : the heads that move.
    dead_after_m, weakest_after : by a new run."""

    name: str
    zones: tuple[ZoneSetup, ...]
    grading: ZoneGrading | None
    cost: float
    dead_before_m: float
    dead_after_m: float
    weakest_before: float
    weakest_after: float
    words: str

    moved: HeadPair | None = None

    @property
    def proven(self) -> bool:
        """Whether the new run found nobody getting through."""
        return self.dead_after_m == 0.0


def _heads_moved(before: ZoneSetup, after: ZoneSetup) -> int:
    moved = 0
    for a, b in zip(before.pairs, after.pairs, strict=True):
        moved += (abs(a.tx_height_m - b.tx_height_m) > 0.005) + (abs(a.rx_height_m - b.rx_height_m) > 0.005)
    return moved


def _earth(grading: ZoneGrading, costs: Costs) -> float:
    cut, fill, area, _ = grading.volumes()
    water = sum(crossing.cost for crossing in grading.crossings)
    return cut * costs.cut_m3 + fill * costs.fill_m3 + area * costs.surface_m2 + water


class _Trial:
    """One zone, its state now, and how each option is measured."""

    def __init__(
        self,
        perimeter: Perimeter,
        surface: DesignSurface,
        zone: ZoneSetup,
        settings: GradeSettings,
        costs: Costs,
        keep: Kept | None,
    ) -> None:
        self.perimeter, self.surface, self.zone = perimeter, surface, zone
        self.settings, self.costs, self.keep = settings, costs, keep
        self.level = perimeter.levels(zone.zone_id)
        self.dead_now = perimeter.dead_length(zone.zone_id, perimeter.dead(zone.zone_id))
        self.weakest_now = perimeter.weakest(zone.zone_id)

    def option(self, name: str, zone: ZoneSetup, cost: float, words: str, grading: ZoneGrading | None = None) -> Option:
        level = self.level
        if grading is not None:
            made = self.surface.around(grading.strip)
            made.apply(grading.strip, grading.design)
            level = self.perimeter.levels(zone.zone_id, made)
        own = self.perimeter.modulation(zone, level)
        before = {p.level: p for p in self.zone.pairs}
        moved = next((p for p in zone.pairs if before.get(p.level) != p), None)
        after = self.perimeter.dead_length(zone.zone_id, self.perimeter.dead(zone.zone_id, own))
        return Option(
            name,
            (zone,),
            grading,
            cost,
            self.dead_now,
            after,
            self.weakest_now,
            self.perimeter.weakest(zone.zone_id, own),
            words,
            moved,
        )

    def lower(self, trials: Sequence[HeightTrials]) -> Option | None:
        """The heights of one level that leave the least dead length, nearest to today's among equals."""
        best: tuple[float, float, ZoneSetup, HeightTrials] | None = None
        for trial in trials:
            now = trial.pair.tx_height_m, trial.pair.rx_height_m
            pairs = height_pairs(now, self.settings.height_limits[trial.level])
            for pair, dead in zip(pairs, trial.dead(pairs), strict=True):
                length = self.perimeter.dead_length(self.zone.zone_id, dead)
                away = abs(pair[0] - now[0]) + abs(pair[1] - now[1])
                if best is None or (length, away) < best[:2]:
                    best = (length, away, self.zone.with_heights(trial.level, *pair), trial)
        if best is None or best[0] >= self.dead_now:
            return None
        zone = best[2]
        set_ = next(p for p in zone.pairs if p.level == best[3].level)
        words = f"set the {set_.level} heads to {set_.tx_height_m:.2f} m (transmitter) and {set_.rx_height_m:.2f} m"
        return self.option("set_heads", zone, _heads_moved(self.zone, zone) * self.costs.set_head, words)

    def add_low(self, low: HeadPair) -> Option | None:
        """One more pair of heads near the ground, where the stack has none."""
        longest = low.head_type.max_range_m
        if any(p.level == low.level for p in self.zone.pairs) or self.zone.line.length > longest:
            return None
        zone = self.zone.with_pair(low)
        return self.option("add_low_heads", zone, 2 * self.costs.head, f"add low heads at {low.tx_height_m:.2f} m")

    def split(self, overlap_m: float, shortest_m: float) -> Option | None:
        """Two zones that meet on the highest ground between the posts."""
        line, at = self.zone.line, self.perimeter.grids[self.zone.zone_id].chainage_m
        middle = self.level[:, self.level.shape[1] // 2]
        above = middle - (middle[0] + at / line.length * (middle[-1] - middle[0]))
        room = (at >= shortest_m) & (at <= line.length - shortest_m)
        if not room.any():
            return None
        s = float(at[room][np.argmax(above[room])])
        reach = overlap_m / 2
        parts = []
        for name, a, b in (("a", 0.0, s + reach), ("b", s - reach, line.length)):
            (x0, x1), (y0, y1) = line.to_map([a, b])
            parts.append(replace(self.zone, zone_id=f"{self.zone.zone_id}{name}", line=BeamLine(x0, y0, x1, y1)))
        near = self.perimeter.neighbours(self.zone.zone_id)
        trial = Perimeter(
            [*parts, *(self.perimeter.zones[n] for n in near)], self.perimeter.ground, self.perimeter.rules
        )
        trial.take_over(self.perimeter)
        dead = sum(trial.dead_length(p.zone_id, trial.dead(p.zone_id)) for p in parts)
        cost = 2 * self.costs.post + 2 * len(self.zone.pairs) * self.costs.head
        return Option(
            "split",
            tuple(parts),
            None,
            cost,
            self.dead_now,
            dead,
            self.weakest_now,
            min(trial.weakest(p.zone_id) for p in parts),
            f"split the zone on the high ground at chainage {s:.0f} m",
        )

    def grade(self, name: str, start: Option | None = None) -> tuple[Option | None, ZoneGrading]:
        """Least earthwork, from the heads as they are or as another option sets them."""
        zone = start.zones[0] if start else self.zone
        grading = grade_group(self.perimeter, self.surface, [zone], self.settings, keep=self.keep)
        if grading.made is None:
            return None, grading
        (made,) = grading.zones
        cut, fill, area, depth = grading.volumes()
        words = f"cut {cut:.1f} m3 and fill {fill:.1f} m3 over {area:.0f} m2, {depth:.2f} m at most"
        cost = _earth(grading, self.costs) + _heads_moved(zone, made) * self.costs.set_head
        if start is not None:
            cost, words = cost + start.cost, f"{start.words}, and {words}"
        return self.option(name, made, cost, words, grading), grading


def zone_options(
    perimeter: Perimeter,
    surface: DesignSurface,
    zone_id: str,
    settings: GradeSettings,
    costs: Costs,
    *,
    low: HeadPair | None = None,
    overlap_m: float = 8.0,
    shortest_m: float = 10.0,
    keep: Kept | None = None,
    trials: Sequence[HeightTrials] = (),
) -> tuple[list[Option], ZoneGrading]:
    """Every way that applies to a zone, tried and priced; and the plain grading with what was said of it.

    low : the pair to add where the stack has none at its level. overlap_m, shortest_m : of the two zones of a split.
    trials : height trials of the zone's levels, shared with whoever else asks.
    """
    trial = _Trial(perimeter, surface, perimeter.zones[zone_id], settings, costs, keep)
    lower = trial.lower(trials)
    added = trial.add_low(low) if low is not None else None
    graded, grading = trial.grade("grade")
    found = [o for o in (lower, added, trial.split(overlap_m, shortest_m), graded) if o is not None]
    for start, name in ((lower, "set_heads_and_grade"), (added, "add_low_heads_and_grade")):
        # heads that mend little are no start for earthwork: the programme moves the lowest pair by itself
        if start is not None and not start.proven and start.dead_after_m <= _WORTH_MIXING * start.dead_before_m:
            mixed, _ = trial.grade(name, start)
            if mixed is not None:
                found.append(mixed)
    return found, grading


def recommend(options: Sequence[Option], currency: str) -> tuple[Option | None, str]:
    """The cheapest option that was proven clear, with the reason in one sentence; None where none was."""
    clear = sorted((o for o in options if o.proven), key=lambda o: (o.cost, o.name))
    if not clear:
        if not options:
            return None, "No option applies within the limits of heads and earth."
        best = min(options, key=lambda o: (o.dead_after_m, o.cost))
        return None, (
            f"No option clears the zone: the best ({best.words}) still leaves {best.dead_after_m:.1f} m "
            f"of {best.dead_before_m:.1f} m dead."
        )
    best = clear[0]
    why = "the only option that a new run finds clear"
    if len(clear) > 1:
        why = f"clear by a new run, and {clear[1].cost - best.cost:,.0f} {currency} cheaper than to {clear[1].words}"
    return best, f"{best.words[0].upper()}{best.words[1:]}: {why}."
