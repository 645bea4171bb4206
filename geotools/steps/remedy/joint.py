"""What is recommended for every zone, put together on one ground and solved again: the design that all papers show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.design import Graded, grade_zones
from geotools.earthwork.groups_graded import GroupsGraded
from geotools.earthwork.prices import Prices
from geotools.earthwork.second_looks import FINAL_DRAWS
from geotools.earthwork.tolerance import Loose, worst_in_tolerance
from geotools.earthwork.zones import GradeSettings
from geotools.plan.model import Zone
from geotools.steps.remedy.option import LITTLE, Option, cheapest, earth_cost, earth_words, heads_moved, works_together
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["JointDesign", "put_together"]

#: How often a zone that does not hold together with its neighbours is given its next option.
_ROUNDS = 3


@dataclass(frozen=True)
class JointDesign:
    """The recommended state of a site.

    Attributes
    ----------
    chosen : mapping of str to Option
        By zone, with the figures of the whole design.
    proposed : mapping of str to tuple of Zone
        What each zone with an option becomes.
    graded : mapping of str to Graded
        Zones whose ground is worked.
    final : Perimeter
        Every zone as proposed, on the proposed ground.
    tried : mapping of str to sequence of Option
        By zone, all options that were tried.
    """

    chosen: dict[str, Option]
    proposed: dict[str, tuple[Zone, ...]]
    graded: dict[str, Graded]
    final: Perimeter
    tried: Mapping[str, Sequence[Option]] = field(default_factory=dict)

    def dead_length(self, zone_id: str) -> float:
        """Metres of a zone of the layout that let somebody through in the proposed state."""
        parts = [zone.zone_id for zone in self.proposed.get(zone_id, ())] or [zone_id]
        return sum(self.final.dead_length(part, self.final.dead(part)) for part in parts)


def put_together(
    perimeter: Perimeter,
    blank: Callable[[], tuple[DesignSurface, Kept | None]],
    options: Mapping[str, Sequence[Option]],
    settings: GradeSettings,
    prices: Prices,
    further: Callable[[str], Sequence[Option]] = lambda zone_id: (),
) -> tuple[JointDesign, DesignSurface]:
    """The cheapest options of all zones that hold together.

    Each zone's options were tried with its neighbours as they stand. Here all that are chosen stand at once; a zone
    that is not clear then is given its next cheapest, and what none clears is said to be open.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands, solved.
    blank : callable
        Gives a design surface without works over the whole site, and what of it must be kept.
    options : mapping of str to sequence of Option
        By zone, those tried.
    settings : GradeSettings
        Limits of heads and earth.
    prices : Prices
        What things cost.
    further : callable
        Gives the options of a zone that were left out because something clear by itself is cheaper; used where that
        is not clear together with the neighbours'.

    Returns
    -------
    The design, and its surface.
    """
    tried = {zone_id: list(found) for zone_id, found in options.items()}
    asked: set[str] = set()
    left = {zone_id: _offered(found) for zone_id, found in options.items()}
    hopeful = {zone_id: _hopeful(found) for zone_id, found in options.items()}
    best: dict[str, tuple[tuple[float, ...], Option]] = {}
    turns, works = 0, GroupsGraded()
    while True:
        taken = {zone_id: one for zone_id, found in left.items() if (one := cheapest(found)) is not None}
        taken |= {zone_id: found[0] for zone_id, found in hopeful.items() if found}
        surface, keep = blank()
        joint = _stand(perimeter, (surface, keep), taken, settings, prices, works)
        # what was not clear by itself has to be so now, and must have opened nothing beside it
        failed = [zone_id for zone_id, found in hopeful.items() if found and not _holds(perimeter, joint, zone_id)]
        for zone_id in failed:
            hopeful[zone_id].pop(0)
        if failed:
            continue
        turns += 1
        open_ = [zone_id for zone_id in taken if not joint.chosen[zone_id].clear]
        for zone_id, option in taken.items():
            made = joint.chosen[zone_id]
            rank = (made.dead_after_m, made.loose.metres, float(not made.buildable), made.cost)
            best[zone_id] = min(best.get(zone_id, (rank, option)), (rank, option), key=lambda known: known[0])
        for zone_id in (z for z in open_ if len(left[z]) == 1 and z not in asked and turns < _ROUNDS):
            asked.add(zone_id)
            names = {option.name for option in tried[zone_id]}
            more = [option for option in further(zone_id) if option.name not in names]
            tried[zone_id] += more
            left[zone_id] += [option for option in more if option.clear]
        again = [zone_id for zone_id in open_ if len(left[zone_id]) > 1]
        if again and turns < _ROUNDS:
            for zone_id in again:
                left[zone_id].remove(taken[zone_id])
            continue
        if any(best[zone_id][1] is not taken[zone_id] for zone_id in open_):
            # none of its options is clear together with the others': then the one that leaves least
            taken |= {zone_id: best[zone_id][1] for zone_id in open_}
            surface, keep = blank()
            joint = _stand(perimeter, (surface, keep), taken, settings, prices, works)
        return replace(joint, tried=tried), surface


def _offered(options: Sequence[Option]) -> list[Option]:
    """Options that are clear within tolerance; where there is none, those that are clear as drawn."""
    return [o for o in options if o.clear] or [o for o in options if o.closes]


def _hopeful(options: Sequence[Option]) -> list[Option]:
    """Where no option is clear by itself, those that leave little, the cheapest first: beside what the neighbouring
    zones get they may be clear. So may fewer parts than a zone by itself has to be split in.
    """
    best = cheapest(options)
    if best is not None:
        return list(best.fewer)
    little = [o for o in options if o.dead_after_m <= LITTLE * o.dead_before_m]
    return sorted(little, key=lambda o: (o.cost, o.name))


def _holds(perimeter: Perimeter, joint: JointDesign, zone_id: str) -> bool:
    """Whether a zone is clear in the joint state, and no zone that meets it is worse than it stands."""
    chosen = joint.chosen[zone_id]
    if joint.dead_length(zone_id) > 0.0 or (chosen.one_of_fewer and not chosen.clear):
        return False
    return all(
        joint.dead_length(near) <= perimeter.dead_length(near, perimeter.dead(near)) + 1e-6
        and (near not in joint.chosen or joint.dead_length(near) == 0.0)
        for near in perimeter.neighbours(zone_id)
    )


def _before_earth(option: Option) -> tuple[Zone, ...]:
    """The parts of a zone that is split and graded, with their heads before any is set for the earth."""
    before = {zone.zone_id: zone for zone in option.to_grade}
    return tuple(before.get(zone.zone_id, zone) for zone in option.zones)


def _worked(option: Option | None, start: Zone | None) -> tuple[Zone, ...]:
    """What of a zone is graded: itself, some of its parts, nothing."""
    if start is not None:
        return (start,)
    return () if option is None else option.to_grade


def _stand(
    perimeter: Perimeter,
    blank: tuple[DesignSurface, Kept | None],
    taken: Mapping[str, Option],
    settings: GradeSettings,
    prices: Prices,
    groups: GroupsGraded,
) -> JointDesign:
    """All options taken at once, their earthwork found anew together with the neighbours'."""
    surface, keep = blank
    proposed = {zone_id: option.zones for zone_id, option in taken.items() if option.grading is None}
    parts = {zone_id: _before_earth(option) for zone_id, option in taken.items() if option.parts_graded}
    base = perimeter.with_zones(proposed | parts)
    to_grade = {zone_id: option for zone_id, option in taken.items() if option.grading is not None}
    starts = {
        zone_id: option.start.zones[0] if option.start is not None else perimeter.zones[zone_id]
        for zone_id, option in to_grade.items()
    }
    base = base.with_zones({zone_id: (zone,) for zone_id, zone in starts.items()})
    base.solve_all()
    known = {zone_id: option.grading for zone_id, option in to_grade.items() if option.grading is not None}
    for option in taken.values():
        # works that two parts share are no works of either
        known |= {part: found for part, found in option.parts_graded.items() if len(found.zones) == 1}
    # in the order of the site: zones that follow each other share a programme
    all_zones = [part for z in perimeter.zones for part in _worked(taken.get(z), starts.get(z))]
    made, final = grade_zones(base, surface, all_zones, settings, keep=keep, known=known, before=groups)
    graded = {one.zone.zone_id: one for one in made}
    proposed |= {zone_id: (graded[zone_id].zone,) for zone_id in to_grade}
    for zone_id, zones in parts.items():
        proposed[zone_id] = tuple(graded[p.zone_id].zone if p.zone_id in graded else p for p in zones)
    joint = JointDesign({}, proposed, graded, final)
    for zone_id, option in taken.items():
        dead = joint.dead_length(zone_id)
        weakest = min(final.weakest(part.zone_id) for part in proposed[zone_id])
        one = graded.get(zone_id)
        loose = None if one is None or dead > 0.0 else one.loose
        if loose is None:
            loose = Loose()
            if dead == 0.0:
                held = groups.withstood
                loose = worst_in_tolerance(final, surface, proposed[zone_id], settings, FINAL_DRAWS, withstood=held)
        if one is None:
            found = replace(option, dead_after_m=dead, weakest_after=weakest, loose=loose)
            if option.start is not None and option.parts_graded:
                own = [graded[part.zone_id] for part in option.to_grade]
                cost, volumes, words = works_together(own, option.to_grade, prices)
                cost, words = option.start.cost + cost, f"{option.start.words}, and {words}"
                by_part = {part.zone.zone_id: part.grading for part in own}
                found = replace(found, zones=proposed[zone_id], volumes=volumes, cost=cost, words=words)
                found = replace(found, parts_graded=by_part)
            joint.chosen[zone_id] = found
            continue
        before = starts[zone_id]
        cost, words = earth_cost(one.volumes, one.crossings, prices), earth_words(one.volumes, one.crossings)
        cost += heads_moved(before, one.zone) * prices.set_head
        works = cost
        if option.start is not None:
            cost, words = cost + option.start.cost, f"{option.start.words}, and {words}"
        joint.chosen[zone_id] = replace(
            option,
            zones=(one.zone,),
            grading=one.grading,
            volumes=one.volumes,
            cost=cost,
            dead_after_m=dead,
            weakest_after=weakest,
            words=words,
            loose=loose,
        ).of_works(one.grading, works)
    return joint
