"""The cheapest works for the zones of a perimeter, each surface tested by a new run of the detection."""

from __future__ import annotations

from collections.abc import Sequence

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.group import Heads, ZoneGroup
from geotools.earthwork.known import Known
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["GradeSettings", "ZoneGrading", "grade_group", "is_answer", "strip_groups"]

_POST_RADIUS_M = 0.6  # foundations keep their ground (common practice, no source)


def grade_group(
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[Zone],
    settings: GradeSettings,
    *,
    keep: Kept | None = None,
    known: Known | None = None,
    heads: Heads | None = None,
) -> ZoneGrading:
    """Grade one zone, or several whose strips overlap, with one programme; `surface` is not changed.

    zones : with their heads as they would stand; the lowest pair is the one whose line the ground follows.
    keep : read by rows and columns of the surface, True where nothing may be moved. known : programmes solved before.
    heads : that an earlier look has found worth moving; others are looked for where works with these are no answer.
    """
    near = dict.fromkeys(n for z in zones for n in (z.zone_id, *perimeter.neighbours(z.zone_id)))
    lines_of = [perimeter.zones[n].line for n in near if n in perimeter.zones] + [z.line for z in zones]
    posts = [(x, y, _POST_RADIUS_M) for li in lines_of for x, y in ((li.x0, li.y0), (li.x1, li.y1))]
    strip = surface.strip_cells({z.zone_id: z.line for z in zones}, settings.reach_m, keep=keep, keep_off=posts)
    trial = ZoneGroup(perimeter, surface, zones, strip, settings, known or Known())
    best = None if heads is None else _cheaper_way(trial, heads, settings.most)[0]
    if best is None or not is_answer(best):
        best = _cheapest(trial, settings.most)
    if settings.priced_as_drawn and best.price < settings.most:
        best = trial.with_robustness(best)
    return best.with_words()


def _cheapest(trial: ZoneGroup, most: float) -> ZoneGrading:
    """The cheapest works of a group, first with heads held; `most` : price from which on nobody wants them."""
    best, keep_falls = _cheaper_way(trial, frozenset(), most)
    return _with_heads_moved(trial, best, keep_falls=keep_falls, most=most)


def _cheaper_way(trial: ZoneGroup, heads: Heads, most: float) -> tuple[ZoneGrading, bool]:
    """The cheaper works with these heads free, and whether they keep the falls of flow paths."""
    # without a thought for water first: where nothing is dammed, or to drain what is costs least, that is the answer
    best = trial.run(heads, keep_falls=False, most=most)
    if not (best.crossings or not best.dry) or _earth(best) >= most:
        return best, False
    kept = trial.run(heads, keep_falls=True, most=min(_price(best), most))
    return min(((best, False), (kept, True)), key=lambda pair: _rank(pair[0]))


def _with_heads_moved(trial: ZoneGroup, best: ZoneGrading, *, keep_falls: bool, most: float) -> ZoneGrading:
    """The cheapest of the best works so far and of those with sets of heads that are worth moving.

    Sets are tried from the one whose works are the cheapest at the first tolerances on, until works with one are an
    answer: those after it come out dearer. Where works with heads held are an answer, only the first is tried.
    """
    held_is_good = is_answer(best)
    worth = min(_price(best) - sum(c.cost for c in best.crossings), most)
    for heads, least in trial.choices(worth):
        if is_answer(best) and least >= _earth(best):
            break
        made = trial.run(heads, keep_falls=keep_falls, most=min(_price(best), most))
        best = min((best, made), key=_rank)
        if held_is_good or is_answer(made):
            break
    return best


def is_answer(grading: ZoneGrading) -> bool:
    """Whether a grading is an answer: there, clear, dry, and made by a machine."""
    return grading.made is not None and grading.clear and grading.dry and grading.buildable


def _earth(grading: ZoneGrading) -> float:
    """Price without ways for water."""
    return grading.price - sum(c.cost for c in grading.crossings)


def _price(grading: ZoneGrading) -> float:
    """Price that another grading has to stay below to be taken."""
    return grading.price if is_answer(grading) else float("inf")


def _rank(grading: ZoneGrading) -> tuple[bool, bool, bool, bool, float]:
    """What comes first is to be taken: a surface that is there, clear, dry, buildable and cheap, in this order."""
    return grading.made is None, not grading.clear, not grading.dry, not grading.buildable, grading.price


def strip_groups(zones: Sequence[Zone], reach_m: float, most: int = 4) -> list[list[Zone]]:
    """Runs of zones whose strips overlap, at most `most` together: one programme each."""
    groups: list[list[Zone]] = []
    for zone in zones:
        area = zone.line.rectangle(0.0, zone.line.length, reach_m)
        last = groups[-1] if groups else None
        near = last is not None and last[-1].line.rectangle(0.0, last[-1].line.length, reach_m).intersects(area)
        if last is not None and near and len(last) < most:
            last.append(zone)
        else:
            groups.append([zone])
    return groups
