"""The ways to close a zone's dead spots, each tried on the model and priced, and the one to take."""

from __future__ import annotations

from collections.abc import Sequence

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.zones import ZoneGrading
from geotools.steps.remedy.limits import RemedyLimits
from geotools.steps.remedy.option import Option, cheapest
from geotools.steps.remedy.splitting import SplitLimits
from geotools.steps.remedy.trial import Trial
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["RemedyLimits", "zone_options"]

_WORTH_MIXING = 0.7


def zone_options(
    perimeter: Perimeter,
    surface: DesignSurface,
    zone_id: str,
    limits: RemedyLimits,
    keep: Kept | None = None,
    *,
    every: bool = False,
    before: Sequence[Option] = (),
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
    before : sequence of Option, default ()
        Options of this zone tried already, with the same limits: they are taken as they are.
    """
    trial = Trial(perimeter, surface, perimeter.zones[zone_id], limits, keep)
    at_hand = {option.name: option for option in before}
    lower = at_hand.get("set_heads") or trial.lower()
    graded, grading = _plain_works(trial, at_hand.get("grade"))
    found = [o for o in (lower, graded) if o is not None]

    def wanted(price: float) -> bool:
        """Whether what costs so much can still be the cheapest: checked before anything is solved for it."""
        return every or price < min((o.cost for o in found if o.clear), default=float("inf"))

    locks = limits.locks
    adding = limits.more if wanted(trial.added_price) and not locks.keeps_heads(zone_id) else ()
    named = ((f"add_{pair.level}_heads", pair, reach) for pair, reach in adding)
    more = (at_hand.get(name) or trial.add(pair, reach) for name, pair, reach in named)
    added = {o.name: o for o in more if o is not None}
    found += added.values()
    for start, name in ((lower, "set_heads_and_grade"), (added.get("add_low_heads"), "add_low_heads_and_grade")):
        # heads that mend little are no start for earthwork: the programme moves the lowest pair by itself
        # and those that are dearer than what is clear without them are no use either
        clear = min((o.cost for o in found if o.clear and not every), default=float("inf"))
        if start is None or start.clear or start.cost >= clear:
            continue
        if start.dead_after_m <= _WORTH_MIXING * start.dead_before_m:
            mixed = at_hand.get(name) or trial.grade(name, start, clear)[0]
            if mixed is not None and mixed.cost < clear:
                found.append(mixed)
    if wanted(trial.moved_price) and not locks.keeps_posts(zone_id):
        moved = at_hand.get("move_line") or trial.move(limits.moves)
        found += [moved] if moved is not None else []
    best = cheapest(found)
    # where something is clear for less than one post more, no place for that post has to be looked for
    useful = every or best is None or not best.clear or best.cost > trial.split_price
    if useful and not locks.keeps_whole(zone_id):
        # where works on a split are at hand, so is the split
        mixed = at_hand.get("split_and_grade")
        split = at_hand["split"] if mixed else trial.split(SplitLimits(limits.overlap_m, limits.shortest_m))
        found += [split] if split is not None else []
        clear = min((o.cost for o in found if o.clear), default=float("inf"))
        mixed = mixed or trial.split_and_grade(float("inf") if every else clear)
        found += [mixed] if mixed is not None and (every or mixed.cost < clear) else []
    return found, grading


def _plain_works(trial: Trial, at_hand: Option | None) -> tuple[Option | None, ZoneGrading]:
    """Works alone, and what was said of them; found anew unless they are at hand."""
    if at_hand is None or at_hand.grading is None:
        return trial.grade("grade")
    return at_hand, at_hand.grading
