"""The ways to close a zone's dead spots, each tried on the model and priced, and the one to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from geotools.detection.height_search import HeightSearch, best_heights, dead_length_tried, levels_that_may_move
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.falls import WaterCrossing
from geotools.earthwork.known import Known
from geotools.earthwork.prices import Prices
from geotools.earthwork.tolerance import Loose, worst_in_tolerance
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group
from geotools.plan.model import BeamPair, Zone
from geotools.steps.remedy.splitting import SplitLimits, Splitting, opened_beside, shorter_zones
from geotools.terrain.design import DesignSurface, Kept

__all__ = [
    "Option",
    "RemedyLimits",
    "cheapest",
    "earth_cost",
    "earth_words",
    "heads_moved",
    "reason_for",
    "zone_options",
]


_WORTH_MIXING = 0.7


@dataclass(frozen=True)
class Option:
    """One way, tried on the model.

    Attributes
    ----------
    name : str
        As the options layer's choices.
    zones : tuple of Zone
        The zone as it would be, its parts where it is split, in the fence line's order.
    grading : ZoneGrading or None
        Its earthwork.
    cost : float
        At the site's prices.
    dead_before_m, dead_after_m : float
        Metres that let somebody through, now and with it done; what it opens in the zones beside counts.
    weakest_before, weakest_after : float
        Modulation of the weakest crossing; None where somebody still gets through.
    words : str
        What is done.
    start : Option or None
        Heads that are set or added before the earth is moved.
    loose : Loose
        The worst that comes of it where it turns out within tolerance.
    """

    name: str
    zones: tuple[Zone, ...]
    grading: ZoneGrading | None
    cost: float
    dead_before_m: float
    dead_after_m: float
    weakest_before: float
    weakest_after: float | None
    words: str
    start: Option | None = None
    volumes: tuple[float, float, float, float] | None = None
    loose: Loose = field(default_factory=Loose)

    @property
    def closes(self) -> bool:
        """Whether the new run found nobody getting through where it is as drawn."""
        return self.dead_after_m == 0.0

    @property
    def clear(self) -> bool:
        """Whether the new run found nobody getting through, as drawn and at every edge of tolerance."""
        return self.closes and self.loose.metres == 0.0

    def moved(self, today: Zone) -> BeamPair | None:
        """The first pair of heads that is not as it stands today."""
        before = {p.level: p for p in today.pairs}
        return next((p for p in self.zones[0].pairs if before.get(p.level) != p), None)


def heads_moved(before: Zone, after: Zone) -> int:
    """How many heads are set to another height."""
    moved = 0
    for a, b in zip(before.pairs, after.pairs, strict=True):
        moved += (abs(a.tx_height_m - b.tx_height_m) > 0.005) + (abs(a.rx_height_m - b.rx_height_m) > 0.005)
    return moved


def earth_cost(volumes: tuple[float, float, float, float], crossings: Sequence[WaterCrossing], prices: Prices) -> float:
    """Price of cut, fill, haul, worked ground and ways for water."""
    return prices.earth(*volumes[:3]) + sum(crossing.cost for crossing in crossings)


def earth_words(volumes: tuple[float, float, float, float], crossings: Sequence[WaterCrossing]) -> str:
    """What is moved, and how the water gets through it."""
    cut, fill, area, depth = volumes
    said = f"cut {cut:.1f} m3 and fill {fill:.1f} m3 over {area:.0f} m2, {depth:.2f} m at most"
    if not crossings:
        return said
    kinds = sorted({crossing.kind for crossing in crossings})
    return f"{said}, with {len(crossings)} way(s) for water ({', '.join(kinds)})"


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
        for splitting in shorter_zones(self.perimeter, self.zone.zone_id, limits):
            made = self._split(splitting)
            if best is None or (made.dead_after_m, made.loose.metres) < (best.dead_after_m, best.loose.metres):
                best = made
            if made.clear:
                break
        return best

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

    def grade(self, name: str, start: Option | None = None) -> tuple[Option | None, ZoneGrading]:
        """Least earthwork, from the heads as they are or as another option sets them."""
        zone = start.zones[0] if start else self.zone
        grading = grade_group(self.perimeter, self.surface, [zone], self.settings, keep=self.keep, known=self.known)
        if grading.made is None:
            return None, grading
        (made,) = grading.zones
        volumes = grading.volumes()
        if volumes[2] == 0.0 and not heads_moved(zone, made):
            return None, grading
        cost, words = earth_cost(volumes, grading.crossings, self.prices), earth_words(volumes, grading.crossings)
        cost += heads_moved(zone, made) * self.prices.set_head
        if start is not None:
            cost, words = cost + start.cost, f"{start.words}, and {words}"
        return replace(self.option(name, made, cost, words, grading), start=start, volumes=volumes), grading


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
    perimeter: Perimeter, surface: DesignSurface, zone_id: str, limits: RemedyLimits, keep: Kept | None = None
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
    """
    trial = _Trial(perimeter, surface, perimeter.zones[zone_id], limits, keep)
    lower = trial.lower()
    added = trial.add_low(limits.low) if limits.low is not None else None
    graded, grading = trial.grade("grade")
    found = [o for o in (lower, added, graded) if o is not None]
    for start, name in ((lower, "set_heads_and_grade"), (added, "add_low_heads_and_grade")):
        # heads that mend little are no start for earthwork: the programme moves the lowest pair by itself
        if start is not None and not start.clear and start.dead_after_m <= _WORTH_MIXING * start.dead_before_m:
            mixed, _ = trial.grade(name, start)
            if mixed is not None:
                found.append(mixed)
    best = cheapest(found)
    # where something is clear for less than one post more, no place for that post has to be looked for
    if best is None or not best.clear or best.cost > trial.split_price:
        split = trial.split(SplitLimits(limits.overlap_m, limits.shortest_m))
        found += [split] if split is not None else []
    return found, grading


def cheapest(options: Sequence[Option]) -> Option | None:
    """The cheapest option that is clear within tolerance; where none is, that which is clear as drawn and leaves least
    within tolerance; None where none is.
    """
    clear = min((o for o in options if o.clear), key=lambda o: (o.cost, o.name), default=None)
    if clear is not None:
        return clear
    drawn = (o for o in options if o.closes)
    return min(drawn, key=lambda o: (o.loose.metres, o.cost, o.name), default=None)


def reason_for(best: Option | None, options: Sequence[Option], currency: str) -> str:
    """Why an option is the one to take, or what none of them does, in one sentence."""
    if best is None:
        if not options:
            return "No option applies within the limits of heads and earth."
        least = min(options, key=lambda o: (o.dead_after_m, o.cost))
        return (
            f"No option clears the zone: the best ({least.words}) still leaves {least.dead_after_m:.1f} m "
            f"of {least.dead_before_m:.1f} m dead."
        )
    dearer = [o for o in options if o.clear and o.name != best.name]
    if best.closes and not best.clear:
        why = (
            f"clear as drawn, but not within tolerance: with {best.loose.words}, "
            f"{best.loose.metres:.1f} m leave somebody undetected; build closer, and survey it before it counts"
        )
    elif not best.clear:
        why = f"clear by itself, but {best.dead_after_m:.1f} m stay open beside what the neighbouring zones need"
    elif dearer:
        other = min(dearer, key=lambda o: (o.cost, o.name))
        apart = other.cost - best.cost
        price = f"{abs(apart):,.0f} {currency} {'cheaper' if apart >= 0 else 'dearer'} than to {other.words}"
        why = f"clear in a run of all zones as proposed, and {price}"
    else:
        why = "clear in a run of all zones as proposed"
        why += ", and cheaper than a further post" if best.name != "split" else ""
    return f"{best.words[0].upper()}{best.words[1:]}: {why}."
