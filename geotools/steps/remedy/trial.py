"""One zone, and how each way to close its dead spots is tried on the model and priced."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from geotools.detection.height_search import (
    SPLASH_M,
    HeightTrials,
    best_heights,
    dead_length_tried,
    levels_that_may_move,
    opened_m,
    search_heights,
)
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.design import grade_zones
from geotools.earthwork.known import Known
from geotools.earthwork.tolerance import Loose, worst_in_tolerance
from geotools.earthwork.zones import ZoneGrading, grade_group
from geotools.plan.model import BeamPair, Zone
from geotools.plan.moving import STEP_M, MoveLimits, move_words, moved_sideways, places_beside
from geotools.steps.remedy.limits import RemedyLimits, SearchedHeights
from geotools.steps.remedy.option import LITTLE, Option, earth_cost, earth_words, heads_moved, works_together
from geotools.steps.remedy.splitting import SplitLimits, Splitting, shorter_zones
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["Trial"]

#: Splittings that earth is tried with, the fewest parts first.
_SPLITS_GRADED = 2
#: Dead lengths that are one and the same, m.
_SAME_M = 1e-6


class Trial:
    """One zone, its state now, and how each option is measured."""

    def __init__(
        self, perimeter: Perimeter, surface: DesignSurface, zone: Zone, limits: RemedyLimits, keep: Kept | None
    ) -> None:
        self.perimeter, self.surface, self.zone = perimeter, surface, zone
        self.settings, self.prices, self.keep = limits.settings, limits.prices, keep
        self.searched = limits.searched
        self.level, self.known = perimeter.levels(zone.zone_id), Known()
        self.dead_now = perimeter.dead_length(zone.zone_id, perimeter.dead(zone.zone_id))
        self.weakest_now = perimeter.weakest(zone.zone_id)
        self.not_clear: list[tuple[Splitting, Option]] = []

    def option(self, name: str, zone: Zone, cost: float, words: str, grading: ZoneGrading | None = None) -> Option:
        """Heads or works on the zone's own line, tried beside the neighbours as they stand."""
        ground = self.perimeter.strip(zone.zone_id)
        if grading is not None:
            made = self.surface.around(grading.strip)
            made.apply(grading.strip, grading.design)
            ground = self.perimeter.strip(zone.zone_id, made)
        own = self.perimeter.modulation(zone, ground)
        after = dead_length_tried(self.perimeter, zone.zone_id, own)
        # the weakest crossing is given for what may be taken; of the rest the dead length says enough
        weakest = self.perimeter.weakest(zone.zone_id, own) if after == 0.0 else None
        # works are tried in their tolerances as they are found; heads alone here
        loose = Loose()
        if grading is None and after == 0.0:
            stands = self.perimeter.with_zones({zone.zone_id: (zone,)})
            loose = worst_in_tolerance(stands, self.surface, (zone,), self.settings)
        return Option(name, (zone,), grading, cost, self.dead_now, after, self.weakest_now, weakest, words, loose=loose)

    def lower(self) -> Option | None:
        """The heights of one level that leave the least dead length, nearest to today's among equals."""
        limits = self.settings.height_limits
        levels = levels_that_may_move(self.perimeter, self.zone.zone_id, limits, self.settings.fixed)
        made = self._lowered({level: self.searched.get((self.zone.zone_id, level)) for level in levels})
        found = None if made is None else self.searched.get((self.zone.zone_id, made[0]))
        if found is not None and made is not None and abs(made[1].dead_after_m - found.dead_best_m) > _SAME_M:
            made = self._lowered(dict.fromkeys(levels))  # the layer is of another state: nothing of it counts
        return None if made is None else made[1]

    def _lowered(self, known: Mapping[str, SearchedHeights | None]) -> tuple[str, Option] | None:
        """The level and its option; known : by level that may move, what a search of today's heights has found."""
        limits, best = self.settings.height_limits, None
        for level, at_hand in known.items():
            pair = next(p for p in self.zone.pairs if p.level == level)
            now = pair.tx_height_m, pair.rx_height_m
            found = at_hand
            if found is None or found.now != now or abs(found.dead_now_m - self.dead_now) > _SAME_M:
                found = SearchedHeights.of(best_heights(self.perimeter, self.zone.zone_id, level, limits[level]), now)
            if best is None or (found.dead_best_m, found.away_m) < (best[1].dead_best_m, best[1].away_m):
                best = level, found
        if best is None or best[1].dead_best_m >= self.dead_now:
            return None
        level, found = best
        zone = self.zone.with_heights(level, *found.best)
        words = f"set the {level} heads to {found.best[0]:.2f} m (transmitter) and {found.best[1]:.2f} m"
        lowest = min(found.best)
        if lowest < SPLASH_M:
            words += f" ({lowest:.2f} m is in rain splash)"
        made = self.option("set_heads", zone, heads_moved(self.zone, zone) * self.prices.set_head, words)
        return level, replace(made, searched=_heights_searched(found.tried, limits[level]))

    def add(self, pair: BeamPair, limits: tuple[float, float]) -> Option | None:
        """One more pair of heads on the standing posts, at those of its heights that leave the least dead length."""
        tallest = max(t.top_m for t in self.perimeter.rules.targets.values())
        if any(p.level == pair.level for p in self.zone.pairs) or limits[0] >= tallest:
            return None
        if self.zone.line.length > pair.head_type.max_range_m:
            return None
        trials = HeightTrials(self.perimeter, self.zone.with_pair(pair), pair.level)
        found = search_heights(trials.dead_lengths, (pair.tx_height_m, pair.rx_height_m), limits)
        zone = self.zone.with_pair(replace(pair, tx_height_m=found.tx_height_m, rx_height_m=found.rx_height_m))
        at = sorted({f"{h:.2f}" for h in (found.tx_height_m, found.rx_height_m)})
        words = f"add {pair.level} heads at {' and '.join(at)} m"
        made = self.option(f"add_{pair.level}_heads", zone, self.added_price, words)
        return replace(made, searched=_heights_searched(len(found.tried), limits))

    @property
    def added_price(self) -> float:
        """Price of one more pair of heads."""
        return 2 * self.prices.head

    @property
    def moved_price(self) -> float:
        """Price of both posts in another place, and of every head set there."""
        return 2 * self.prices.post + 2 * len(self.zone.pairs) * self.prices.set_head

    def move(self, limits: MoveLimits) -> Option | None:
        """The line moved sideways to the nearest place that is clear; else to the one that leaves least.

        Every place costs the same, so the first that is clear ends the search.
        """
        reach = self.perimeter.rules.half_width_m
        coarse = places_beside(self.zone, limits, reach)
        tried: dict[float, Option] = {}

        def look(places: list[float]) -> Option | None:
            for offset in places:
                if offset not in tried:
                    tried[offset] = self._moved(offset)
                    if tried[offset].clear:
                        return tried[offset]
            return None

        best = look(coarse)
        if best is None and tried:
            at = min(tried, key=lambda d: (tried[d].dead_after_m, tried[d].loose.metres, abs(d), -d))
            fine = places_beside(self.zone, limits, reach, STEP_M / 2)
            best = look([d for d in fine if abs(d - at) < STEP_M])
            best = best or min(tried.values(), key=lambda o: (o.dead_after_m, o.loose.metres))
        if best is None:
            return None
        said = f"{len(tried)} of the places within {min(coarse):+.1f} to {max(coarse):+.1f} m tried, the nearest first"
        return replace(best, searched=said)

    def _moved(self, offset_m: float) -> Option:
        zone = moved_sideways(self.zone, offset_m)
        return self._stood("move_line", (zone,), self.moved_price, move_words(offset_m))

    def _stood(self, name: str, zones: tuple[Zone, ...], cost: float, words: str) -> Option:
        """Zones in the place of this one on the ground as it is, with what they open beside them."""
        trial = self.perimeter.with_zones({self.zone.zone_id: zones})
        dead = self._left(trial, zones)
        return Option(
            name,
            zones,
            None,
            cost,
            self.dead_now,
            dead,
            self.weakest_now,
            min(trial.weakest(zone.zone_id) for zone in zones) if dead == 0.0 else None,
            words,
            loose=worst_in_tolerance(trial, self.surface, zones, self.settings) if dead == 0.0 else Loose(),
        )

    def _left(self, trial: Perimeter, zones: tuple[Zone, ...]) -> float:
        """Dead length of zones that stand in this one's place, and what that opens in its neighbours, m."""
        beside = {near: trial.dead(near) for near in self.perimeter.neighbours(self.zone.zone_id)}
        own = sum(trial.dead_length(zone.zone_id, trial.dead(zone.zone_id)) for zone in zones)
        return own + opened_m(self.perimeter, beside)

    @property
    def split_price(self) -> float:
        """Price of one post more in the line: two stacks back to back."""
        return 2 * self.prices.post + 2 * len(self.zone.pairs) * self.prices.head

    def split(self, limits: SplitLimits) -> Option | None:
        """The zone in the fewest parts that are clear in a run of their own; else in those that leave least."""
        best: Option | None = None
        fewer: list[Option] = []
        self.not_clear = []
        for splitting in shorter_zones(self.perimeter, self.zone.zone_id, limits):
            made = self._split(splitting)
            if not made.clear:
                self.not_clear.append((splitting, made))
            if best is None or (made.dead_after_m, made.loose.metres) < (best.dead_after_m, best.loose.metres):
                best = made
            if made.clear:
                break
            if made.dead_after_m <= LITTLE * made.dead_before_m:
                fewer.append(replace(made, one_of_fewer=True))
        if best is None or not best.clear:
            return best
        return replace(best, fewer=tuple(fewer))

    def _parts(self, splitting: Splitting) -> tuple[Zone, ...]:
        """In the fence line's order."""
        return splitting.parts if self.zone.forward else splitting.parts[::-1]

    def _split(self, splitting: Splitting) -> Option:
        parts = self._parts(splitting)
        at = " and ".join(f"{cut:.0f}" for cut in splitting.cuts)
        words = f"split the zone in {len(parts)} at chainage {at} m"
        return self._stood("split", parts, len(splitting.cuts) * self.split_price, words)

    def split_and_grade(self, most: float) -> Option | None:
        """Fewer parts than it takes without earth, those graded that are not clear: the cheapest that is.

        Only splittings found by :meth:`split` are tried, the fewest parts first, as long as their posts alone cost less
        than `most`, the price of something clear.
        """
        best: Option | None = None
        for splitting, bare in self.not_clear[:_SPLITS_GRADED]:
            if bare.cost >= min(most, float("inf") if best is None else best.cost):
                break
            made = self._split_graded(splitting, bare)
            if made is not None and (best is None or _worth(made) < _worth(best)):
                best = made
        return best

    def _split_graded(self, splitting: Splitting, bare: Option) -> Option | None:
        parts = self._parts(splitting)
        stands = self.perimeter.with_zones({self.zone.zone_id: parts})
        open_ = tuple(p for p in parts if bare.closes or stands.dead_length(p.zone_id, stands.dead(p.zone_id)) > 0.0)
        design, settings = self.surface.blank(), replace(self.settings, priced_as_drawn=False)
        graded, final = grade_zones(stands, design, open_, settings, keep=self.keep)
        if not any(one.grading.made is not None for one in graded):
            return None
        now = {one.zone.zone_id: one.zone for one in graded}
        zones = tuple(now.get(part.zone_id, part) for part in parts)
        if zones == tuple(parts) and not any(one.volumes[2] for one in graded):
            return None
        dead = self._left(final, zones)
        cost, volumes, words = works_together(graded, parts, self.prices)
        return replace(
            bare,
            name="split_and_grade",
            zones=zones,
            cost=bare.cost + cost,
            dead_after_m=dead,
            weakest_after=min(final.weakest(z.zone_id) for z in zones) if dead == 0.0 else None,
            words=f"{bare.words}, and {words}",
            volumes=volumes,
            loose=worst_in_tolerance(final, design, zones, self.settings) if dead == 0.0 else Loose(),
            parts_graded={one.zone.zone_id: one.grading for one in graded},
            to_grade=open_,
            start=replace(bare, fewer=()),
        )

    def grade(
        self, name: str, start: Option | None = None, most: float = float("inf")
    ) -> tuple[Option | None, ZoneGrading]:
        """Least earthwork, from the heads as they are or as another option sets them.

        most : price from which on nobody wants it: it is then given up without a proof.
        """
        zone = start.zones[0] if start else self.zone
        if start is not None:
            most -= start.cost
        settings = replace(self.settings, most=most)
        if zone.pairs[0] != self.zone.pairs[0]:
            # the lowest heads were searched for this option: what moves them by way of the earth is the plain grading
            settings = replace(settings, height_limits={})
        grading = grade_group(self.perimeter, self.surface, [zone], settings, keep=self.keep, known=self.known)
        if grading.made is None:
            return None, grading
        (made,) = grading.zones
        volumes = grading.volumes()
        if volumes[2] == 0.0 and not heads_moved(zone, made):
            return None, grading
        cost, words = earth_cost(volumes, grading.crossings, self.prices), earth_words(volumes, grading.crossings)
        cost += heads_moved(zone, made) * self.prices.set_head
        works = cost
        if start is not None:
            cost, words = cost + start.cost, f"{start.words}, and {words}"
        option = replace(self.option(name, made, cost, words, grading), start=start, volumes=volumes)
        return option.of_works(grading, works), grading


def _worth(option: Option) -> tuple[bool, float, float, float]:
    return not option.clear, option.dead_after_m, option.loose.metres, option.cost


def _heights_searched(tried: int, limits: tuple[float, float]) -> str:
    return f"{tried} pairs of heights within {limits[0]:.2f} to {limits[1]:.2f} m tried"
