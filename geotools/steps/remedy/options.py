"""The ways to close a zone's dead spots, each tried on the model and priced, and the one to take."""

from __future__ import annotations

from dataclasses import dataclass, replace

from geotools.detection.height_search import HeightSearch, best_heights, dead_length_tried, levels_that_may_move
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.known import Known
from geotools.earthwork.prices import Prices
from geotools.earthwork.tolerance import Loose, worst_in_tolerance
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group
from geotools.plan.model import BeamPair, Zone
from geotools.steps.remedy.option import LITTLE, Option, cheapest, earth_cost, earth_words, heads_moved
from geotools.steps.remedy.splitting import SplitLimits, Splitting, opened_beside, shorter_zones
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["RemedyLimits", "zone_options"]


_WORTH_MIXING = 0.7


class _Trial:
    """One zone, its state now, and how each option is measured."""

    def __init__(
        self, perimeter: Perimeter, surface: DesignSurface, zone: Zone, limits: RemedyLimits, keep: Kept | None
    ) -> None:
        self.perimeter, self.surface, self.zone = perimeter, surface, zone
        self.settings, self.prices, self.keep = limits.settings, limits.prices, keep
        self.level, self.known = perimeter.levels(zone.zone_id), Known()
        self.dead_now = perimeter.dead_length(zone.zone_id, perimeter.dead(zone.zone_id))
        self.weakest_now = perimeter.weakest(zone.zone_id)

    def option(self, name: str, zone: Zone, cost: float, words: str, grading: ZoneGrading | None = None) -> Option:
        ground = self.perimeter.strip(zone.zone_id)
        if grading is not None:
            made = self.surface.around(grading.strip)
            made.apply(grading.strip, grading.design)
            ground = self.perimeter.strip(zone.zone_id, made)
        own = self.perimeter.modulation(zone, ground)
        after = dead_length_tried(self.perimeter, zone.zone_id, own)
        # the weakest crossing is told of what may be taken: of what leaves somebody through the dead length says enough
        weakest = self.perimeter.weakest(zone.zone_id, own) if after == 0.0 else None
        # works are tried in their tolerances as they are found; heads alone here
        loose = Loose()
        if grading is None and after == 0.0:
            stands = self.perimeter.with_zones({zone.zone_id: (zone,)})
            loose = worst_in_tolerance(stands, self.surface, (zone,), self.settings)
        return Option(name, (zone,), grading, cost, self.dead_now, after, self.weakest_now, weakest, words, loose=loose)

    def lower(self) -> Option | None:
        """The heights of one level that leave the least dead length, nearest to today's among equals."""
        best: tuple[float, float, str, HeightSearch] | None = None
        limits = self.settings.height_limits
        for level in levels_that_may_move(self.perimeter, self.zone.zone_id, limits):
            found = best_heights(self.perimeter, self.zone.zone_id, level, limits[level])
            pair = next(p for p in self.zone.pairs if p.level == level)
            away = abs(found.tx_height_m - pair.tx_height_m) + abs(found.rx_height_m - pair.rx_height_m)
            if best is None or (found.dead_length_m, away) < best[:2]:
                best = (found.dead_length_m, away, level, found)
        if best is None or best[0] >= self.dead_now:
            return None
        _, _, level, found = best
        zone = self.zone.with_heights(level, found.tx_height_m, found.rx_height_m)
        words = f"set the {level} heads to {found.tx_height_m:.2f} m (transmitter) and {found.rx_height_m:.2f} m"
        return self.option("set_heads", zone, heads_moved(self.zone, zone) * self.prices.set_head, words)

    def add_low(self, low: BeamPair) -> Option | None:
        """One more pair of heads near the ground, where the stack has none."""
        longest = low.head_type.max_range_m
        if any(p.level == low.level for p in self.zone.pairs) or self.zone.line.length > longest:
            return None
        zone = self.zone.with_pair(low)
        return self.option("add_low_heads", zone, 2 * self.prices.head, f"add low heads at {low.tx_height_m:.2f} m")

    @property
    def split_price(self) -> float:
        """Price of one post more in the line: two stacks back to back."""
        return 2 * self.prices.post + 2 * len(self.zone.pairs) * self.prices.head

    def split(self, limits: SplitLimits) -> Option | None:
        """The zone in the fewest parts that are clear in a run of their own; else in those that leave least."""
        best: Option | None = None
        fewer: list[Option] = []
        for splitting in shorter_zones(self.perimeter, self.zone.zone_id, limits):
            made = self._split(splitting)
            if best is None or (made.dead_after_m, made.loose.metres) < (best.dead_after_m, best.loose.metres):
                best = made
            if made.clear:
                break
            if made.dead_after_m <= LITTLE * made.dead_before_m:
                fewer.append(replace(made, one_of_fewer=True))
        if best is None or not best.clear:
            return best
        return replace(best, fewer=tuple(fewer))

    def _split(self, splitting: Splitting) -> Option:
        parts = splitting.parts if self.zone.forward else splitting.parts[::-1]
        trial = self.perimeter.with_zones({self.zone.zone_id: parts})
        dead = sum(trial.dead_length(p.zone_id, trial.dead(p.zone_id)) for p in parts)
        dead += opened_beside(self.perimeter, trial, self.perimeter.neighbours(self.zone.zone_id))
        at = " and ".join(f"{cut:.0f}" for cut in splitting.cuts)
        return Option(
            "split",
            tuple(parts),
            None,
            len(splitting.cuts) * self.split_price,
            self.dead_now,
            dead,
            self.weakest_now,
            min(trial.weakest(p.zone_id) for p in parts) if dead == 0.0 else None,
            f"split the zone in {len(parts)} at chainage {at} m",
            loose=worst_in_tolerance(trial, self.surface, parts, self.settings) if dead == 0.0 else Loose(),
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


@dataclass(frozen=True)
class RemedyLimits:
    """What the options may do.

    Attributes
    ----------
    settings : GradeSettings
        Limits of heads and earth.
    prices : Prices
        What things cost.
    low : BeamPair or None
        The pair to add where the stack has none at its level.
    overlap_m, shortest_m : float
        Of the parts of a zone that is split.
    """

    settings: GradeSettings
    prices: Prices
    low: BeamPair | None = None
    overlap_m: float = 8.0
    shortest_m: float = 10.0


def zone_options(
    perimeter: Perimeter,
    surface: DesignSurface,
    zone_id: str,
    limits: RemedyLimits,
    keep: Kept | None = None,
    *,
    every: bool = False,
) -> tuple[list[Option], ZoneGrading]:
    """Every way that applies to a zone, tried and priced; and the plain grading with what was said of it.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands, solved.
    surface : DesignSurface
        Without works.
    zone_id : str
        The zone.
    limits : RemedyLimits
        What may be done, and at what price.
    keep : Kept, optional
        Cells where nothing may be moved.
    every : bool, default False
        Whether options are tried too that cannot be the cheapest: what is clear alone may not be so beside the
        neighbours' works.
    """
    trial = _Trial(perimeter, surface, perimeter.zones[zone_id], limits, keep)
    lower = trial.lower()
    added = trial.add_low(limits.low) if limits.low is not None else None
    graded, grading = trial.grade("grade")
    found = [o for o in (lower, added, graded) if o is not None]
    for start, name in ((lower, "set_heads_and_grade"), (added, "add_low_heads_and_grade")):
        # heads that mend little are no start for earthwork: the programme moves the lowest pair by itself
        # and those that are dearer than what is clear without them are no use either
        clear = min((o.cost for o in found if o.clear and not every), default=float("inf"))
        if start is None or start.clear or start.cost >= clear:
            continue
        if start.dead_after_m <= _WORTH_MIXING * start.dead_before_m:
            mixed, _ = trial.grade(name, start, clear)
            if mixed is not None and mixed.cost < clear:
                found.append(mixed)
    best = cheapest(found)
    # where something is clear for less than one post more, no place for that post has to be looked for
    if every or best is None or not best.clear or best.cost > trial.split_price:
        split = trial.split(SplitLimits(limits.overlap_m, limits.shortest_m))
        found += [split] if split is not None else []
    return found, grading
