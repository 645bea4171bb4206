"""What opens operating windows, taken into the proposed state where the user says so."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from geotools.detection.mover_places import movers_of
from geotools.detection.nuisance import nuisance_of
from geotools.detection.openings import Opening, widest
from geotools.detection.operating import OperatingWindow
from geotools.detection.perimeter import Perimeter
from geotools.detection.window_search import WindowSearch, weakest_crossings, window_search
from geotools.engine.step import StepContext
from geotools.errors import SiteError, StepError
from geotools.plan.schema import CROSSINGS
from geotools.site import SitePrices
from geotools.steps.remedy.joint import JointDesign
from geotools.steps.remedy.option import Option

__all__ = ["AcceptedOpenings", "accepted_openings", "accepted_zones"]

#: Kinds of change as the layer options names them.
_NAMES = {
    "set_heads": "set_heads",
    "move_line": "move_line",
    "move_row": "move_line",
    "shorter_zones": "split",
    "narrower_heads": "change_heads",
}
#: Why what closes dead spots stands in the proposed state, where a window is to be opened in the same zone.
_CLOSED_FIRST = (
    "what closes dead spots there is in the proposed state in its place, as below the threshold somebody passes "
    "undetected; look at the window again on the proposed state (`geotools apply`)"
)


def accepted_zones(text: str, perimeter: Perimeter) -> list[str]:
    """Zones named with commas, or all; SiteError where one is not of the plan."""
    names = [part.strip() for part in text.split(",") if part.strip()]
    if names == ["all"]:
        return list(perimeter.zones)
    strange = [name for name in names if name not in perimeter.zones]
    if strange:
        raise SiteError(
            "a zone whose window is to be opened is not in the plan",
            where="step remedy, parameter windows",
            found=", ".join(strange),
            expected=f"all, or some of: {', '.join(perimeter.zones)}",
            mend="take the zones from the layer operating_windows",
        )
    return names


@dataclass
class AcceptedOpenings:
    """Openings that the user takes, as options of the zones that they change.

    options : by zone changed. lead : of each of those zones the one whose window is opened. search : how windows are
    found. before : windows to be opened. left : zones whose windows stay as they are, by why.
    """

    options: dict[str, Option]
    lead: dict[str, str]
    search: WindowSearch
    before: dict[str, OperatingWindow]
    left: dict[str, list[str]]

    def beside(self, closing: Mapping[str, list[Option]]) -> dict[str, list[Option]]:
        """The openings together with what closes dead spots, in the order of the site."""
        every = {**closing, **{name: [one] for name, one in self.options.items()}}
        return {name: every[name] for name in self.search.perimeter.zones if name in every}

    def leave_out(self, zone_id: str, why: str) -> None:
        """Note why a zone's window is not opened."""
        self.left.setdefault(why, []).append(zone_id)

    def without(self, failed: Mapping[str, str]) -> None:
        """Take out what opens the windows of these zones, with all that is moved for it, and say why."""
        for lead, why in failed.items():
            self.leave_out(lead, why)
        self.options = {name: one for name, one in self.options.items() if self.lead[name] not in failed}

    def failed(self, joint: JointDesign) -> dict[str, str]:
        """Why openings do not hold in the design as a whole, by zone whose window they open."""
        found = {}
        for lead in dict.fromkeys(self.lead[name] for name in self.options):
            changed = [name for name in self.options if self.lead[name] == lead]
            why = _gap(self.search.perimeter, joint, changed) or self._closed(joint, lead)
            if why:
                found[lead] = why
        return found

    def _closed(self, joint: JointDesign, lead: str) -> str:
        for window in self._after(joint, lead):
            if window.width_db <= max(self.before[lead].width_db, 0.0):
                return f"beside what its neighbours get its window is no wider: {window.width_db:+.1f} dB"
        return ""

    def _after(self, joint: JointDesign, lead: str) -> Iterable[OperatingWindow]:
        """Windows of the zones that take one's place, in the design as a whole, by the best estimate."""
        parts = joint.proposed[lead]
        movers = {one.mover.name: one.mover for one in self.before[lead].nuisance}
        around = nuisance_of(joint.final, [part.zone_id for part in parts], movers, self.search.limits.reach_m)
        for part in parts:
            yield self.search.places.window(joint.final, part.zone_id, around[part.zone_id])

    def reason(self, joint: JointDesign, zone_id: str, option: Option) -> str:
        """Why an opening is in the proposed state, in one sentence."""
        lead = self.lead[zone_id]
        words = f"{option.words[0].upper()}{option.words[1:]}"
        if lead != zone_id:
            return f"{words}: moved with {lead}, as one row, so that its operating window opens."
        after = min(self._after(joint, lead), key=lambda one: one.width_db)
        before = self.before[lead]
        return (
            f"{words}: accepted to widen the operating window from {before.width_db:+.1f} to {after.width_db:+.1f} dB "
            f"by the best estimate (must not alarm {after.above:.2f}, must alarm {after.weakest.modulation:.2f}); "
            "a run of all zones as proposed finds no undetected crossing there by the best estimate."
        )


def _gap(perimeter: Perimeter, joint: JointDesign, changed: Sequence[str]) -> str:
    """Whether somebody gets through in the zones changed, or in more of one beside them than as it stands; in words."""
    for name in dict.fromkeys([*changed, *(near for one in changed for near in perimeter.neighbours(one))]):
        more = joint.dead_length(name) - perimeter.dead_length(name, perimeter.dead(name))
        if more > 1e-6:
            return f"it opens {more:.1f} m in {name} beside what the other zones get"
    return ""


def accepted_openings(
    ctx: StepContext, perimeter: Perimeter, wanted: Sequence[str], closing: Collection[str]
) -> AcceptedOpenings:
    """What opens the windows of the zones wanted, as the step window advises it.

    Parameters
    ----------
    ctx : StepContext
        Of the step remedy.
    perimeter : Perimeter
        As it stands, solved.
    wanted : sequence of str
        Zones whose windows are to be opened.
    closing : collection of str
        Zones with dead spots: what closes these comes first, and stands in the proposed state in the place of this.
    """
    site = ctx.site
    if not ctx.workspace.has(CROSSINGS):
        raise StepError(
            "windows cannot be opened before crossings are known",
            where="layer crossings",
            found="not in the plan",
            mend="run `geotools gaps` by the wave method first",
        )
    search, crossings = window_search(ctx, perimeter), weakest_crossings(ctx.read(CROSSINGS))
    made = AcceptedOpenings({}, {}, search, {}, {})
    for zone_id in wanted:
        if zone_id in closing:
            made.leave_out(zone_id, _CLOSED_FIRST)
            continue
        if zone_id not in crossings:
            continue
        around = nuisance_of(
            perimeter,
            [zone_id],
            movers_of(site),
            site.nuisance.reach_m,
            larger=site.nuisance.size_range,
            aim_deg=search.unknowns.aim_deg,
        )[zone_id]
        window, _ = search.window(zone_id, around, crossings[zone_id])
        if window.state == "open":
            continue
        found = search.openings(window, around)
        best = found.best
        if best is not None and not best.zones:
            # what is kept off its ground is nobody's proposal; heads may do part of it
            best = widest(window, [one for one in found.every if one.zones]) or best
        if best is None:
            locked = search.limits.locks.words(zone_id)
            nothing = " ".join(filter(None, ("nothing that was tried opens its window.", locked)))
            made.leave_out(zone_id, found.instead or nothing)
            continue
        why = _refused(best, zone_id, closing, made.options)
        if why:
            made.leave_out(zone_id, f"what opens it ({best.words}) is not taken: {why}")
            continue
        made.before[zone_id] = window
        for name, option in _options(perimeter, zone_id, best, site.prices).items():
            made.options[name], made.lead[name] = option, zone_id
    return made


def _refused(best: Opening, zone_id: str, closing: Collection[str], taken: Mapping[str, Option]) -> str:
    """Why an opening cannot be part of a proposal; empty where it can."""
    if not best.zones:
        return "it changes no head; it is for whoever keeps that ground"
    changed = [zone_id, *(zone.zone_id for zone in best.beside)]
    busy = [name for name in changed if name in closing or name in taken]
    if busy:
        return f"{', '.join(busy)} would be moved too and gets something else"
    return ""


def _options(perimeter: Perimeter, zone_id: str, best: Opening, prices: SitePrices) -> dict[str, Option]:
    """The opening as options of the zones that it changes; each pays for its own posts and heads."""
    zones = {zone_id: best.zones, **{zone.zone_id: (zone,) for zone in best.beside}}
    found = {}
    for name, becomes in zones.items():
        cost = best.cost or 0.0
        if best.beside:
            cost = 2 * prices.post + 2 * len(becomes[0].pairs) * prices.set_head
        now = perimeter.weakest(name)
        after = best.window.weakest.modulation if name == zone_id else now
        found[name] = Option(
            _NAMES[best.option], becomes, None, cost, 0.0, 0.0, now, after, best.words, serves="window"
        )
    return found
