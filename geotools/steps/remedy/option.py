"""One way to close a zone's dead spots, what it costs, and the one of several to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from geotools.earthwork.design import Graded
from geotools.earthwork.falls import WaterCrossing
from geotools.earthwork.prices import Prices
from geotools.earthwork.tolerance import Loose
from geotools.earthwork.zone_grading import TOO_THIN, ZoneGrading
from geotools.errors import counted
from geotools.plan.model import BeamPair, Zone

__all__ = [
    "LITTLE",
    "Option",
    "cheapest",
    "earth_cost",
    "earth_words",
    "heads_moved",
    "reason_for",
    "works_together",
]

#: Share of its dead length that an option may leave by itself to be tried beside what the neighbours get.
LITTLE = 0.25


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
        Its earthwork, where it stays one zone.
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
    as_drawn : float or None
        What it would cost if everything turned out as drawn, so that nothing had to be held ready for building,
        settlement and heads a little off; None where that was not computed.
    bound : float or None
        No works with these heads, within what was required of the ground, cost less; None where no bound is known.
    fewer : tuple of Option
        The same with fewer parts, the fewest first: not clear by itself, but near enough to be so beside what the
        neighbouring zones get.
    one_of_fewer : bool
        Whether it is one of those.
    parts_graded : dict of str to ZoneGrading
        Earthwork of the parts it is split in, by part as it is to be graded.
    to_grade : tuple of Zone
        Those parts, before any of their heads is set to another height.
    searched : str
        What was looked through to find it; empty where there was no choice.
    serves : str
        What it is for: ``dead spots`` or ``window``.
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
    as_drawn: float | None = None
    bound: float | None = None
    fewer: tuple[Option, ...] = ()
    one_of_fewer: bool = False
    parts_graded: dict[str, ZoneGrading] = field(default_factory=dict)
    to_grade: tuple[Zone, ...] = ()
    searched: str = ""
    serves: str = "dead spots"

    @property
    def closes(self) -> bool:
        """Whether the new run found nobody getting through where it is as drawn."""
        return self.dead_after_m == 0.0

    @property
    def buildable(self) -> bool:
        """Whether a machine makes its works: a line that nobody builds closes nothing."""
        works = self.parts_graded.values() if self.grading is None else [self.grading, *self.parts_graded.values()]
        return all(grading.buildable for grading in works)

    @property
    def clear(self) -> bool:
        """Whether the new run found nobody getting through, as drawn and at every edge of tolerance, and it can be
        built.
        """
        return self.closes and self.loose.metres == 0.0 and self.buildable

    def of_works(self, grading: ZoneGrading, cost: float) -> Option:
        """With what is known of works that cost so much of it."""
        if grading.price <= 0.0:
            return self
        share, rest = cost / grading.price, self.cost - cost
        return replace(
            self,
            as_drawn=None if grading.as_drawn is None else share * grading.as_drawn + rest,
            bound=None if grading.bound is None else share * grading.bound + rest,
        )

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
    return f"{said}, with {counted(len(crossings), 'way')} for water ({', '.join(kinds)})"


def works_together(
    graded: Sequence[Graded], before: Sequence[Zone], prices: Prices
) -> tuple[float, tuple[float, float, float, float], str]:
    """Price, volumes and words of the works of several zones, heads that are set for them included; before : the zones
    with their heads as they were.
    """
    each = [one.volumes for one in graded]
    cut, fill, area = (sum(volumes[i] for volumes in each) for i in range(3))
    volumes = cut, fill, area, max((v[3] for v in each), default=0.0)
    crossings = [crossing for one in graded for crossing in one.crossings]
    was = {zone.zone_id: zone for zone in before}
    moved = sum(heads_moved(was[one.zone.zone_id], one.zone) for one in graded)
    cost = sum(earth_cost(one.volumes, one.crossings, prices) for one in graded) + moved * prices.set_head
    return cost, volumes, earth_words(volumes, crossings)


def cheapest(options: Sequence[Option]) -> Option | None:
    """The cheapest option that is clear within tolerance; where none is, that which is clear as drawn and leaves least
    within tolerance, what can be built first; None where none is.
    """
    clear = min((o for o in options if o.clear), key=lambda o: (o.cost, o.name), default=None)
    if clear is not None:
        return clear
    drawn = (o for o in options if o.closes)
    return min(drawn, key=lambda o: (o.loose.metres, not o.buildable, o.cost, o.name), default=None)


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
    if best.closes and best.loose.metres == 0.0 and not best.clear:
        why = (
            f"clear in the model alone, with {TOO_THIN}, and no other option tried is clear; wider works, a thinner "
            "least_lift_m of [grading] or other posts would have to make room"
        )
    elif best.closes and not best.clear:
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
        # what is cheaper was tried before it, and did not hold there
        why = (
            f"clear in a run of all zones as proposed, and {price}{'' if apart >= 0 else ', which is not clear in it'}"
        )
    else:
        why = "clear in a run of all zones as proposed"
        why += ", and cheaper than a further post" if best.name != "split" else ""
    return f"{best.words[0].upper()}{best.words[1:]}: {why}."
