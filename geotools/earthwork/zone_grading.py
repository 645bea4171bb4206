"""How zones are graded, and what that came to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geotools.earthwork.buildable import Machine
from geotools.earthwork.disturb import State, Tolerances
from geotools.earthwork.falls import WaterCrossing, WaterRules
from geotools.earthwork.linear import explained
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.proof import CheckedGrading, Proof
from geotools.errors import InfeasibleError
from geotools.plan.model import Zone
from geotools.terrain.design import StripCells

__all__ = ["TOO_THIN", "GradeSettings", "ZoneGrading"]

#: What is said of works that only satisfy the model.
TOO_THIN = "works thinner than a lift or narrower than the machine in places, which nobody builds true"


@dataclass(frozen=True)
class GradeSettings:
    """How zones are graded.

    rules : slopes, prices, balance. under_m : half width of the ground that has to follow the line, about the radius of
    the first Fresnel zone. batter_m : ground on both sides of it that may be worked to tie in.
    tolerance_m : metres from straight first needed, by threat. height_limits : lowest and highest head height by
    level; a level that is missing keeps its heads where they are. headroom : share of the threshold that graded ground
    keeps in hand. tolerances : how far works and heads may be off while the zone stays clear. machine : what can be
    made. accuracy_m : works thinner than what the survey is good for are not made. water : what flow paths keep; None
    leaves water out of account. draws : draws of each kind of uneven building that a surface is tried in. most : price
    from which on nobody wants the works: what costs more is given up. priced_as_drawn : whether it is looked for what
    the works would cost without tolerances. fixed : zone and level of heads that are locked
    and keep their heights whatever the limits.
    """

    rules: GradingRules
    tolerance_m: Mapping[str, float]
    under_m: float = 1.0
    batter_m: float = 2.0
    height_limits: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    max_rounds: int = 10
    headroom: float = 0.1
    tolerances: Tolerances = field(default_factory=Tolerances)
    machine: Machine = field(default_factory=Machine)
    accuracy_m: float = 0.0
    water: WaterRules | None = None
    draws: int = 2
    most: float = float("inf")
    priced_as_drawn: bool = True
    fixed: frozenset[tuple[str, str]] = frozenset()

    @property
    def reach_m(self) -> float:
        """Half width of the ground that may be worked."""
        return self.under_m + self.batter_m

    @property
    def clear_words(self) -> str:
        """What is said of a surface that the model agrees with in every state tried."""
        t = self.tolerances
        if not t.build_m and not t.settle_m:
            return "clear in a re-run"
        return f"clear in a re-run, built within +-{t.build_m * 100:.0f} cm, settled {t.settle_m * 100:.0f} cm"


@dataclass(frozen=True)
class ZoneGrading:
    """What grading a group of zones came to.

    zones : the zones with their heads at the heights the design stands on. strip : cells; design : (n,) levels,
    existing where nothing was found. proofs : one per zone, by the model on the design and on what may become of it.
    made : None where no surface satisfies the limits; reason says why or what the re-run said. crossings : ways for
    water through the works. price : of everything, crossings and moved heads included, 0 where nothing was found.
    ponds_m3 : new standing water that the works leave. buildable : False where the limits could only be met with works
    thinner or narrower than required. as_drawn : price of such works where nothing may turn out other than drawn; None
    where that was not computed. bound : no works with these heads that keep the ground within its limits cost
    less; None where it was not computed. unfit : the limit that stood in the way, where `reason` does not name it yet.
    """

    zones: tuple[Zone, ...]
    strip: StripCells
    design: np.ndarray
    proofs: tuple[Proof, ...]
    clear: bool
    rounds: int
    reason: str
    made: CheckedGrading | None
    crossings: tuple[WaterCrossing, ...] = ()
    price: float = 0.0
    dry: bool = True
    buildable: bool = True
    as_drawn: float | None = None
    bound: float | None = None
    unfit: InfeasibleError | None = None

    def with_words(self) -> ZoneGrading:
        """The same with a reason that names the limit in the way; to find it takes a programme of its own."""
        if self.unfit is None:
            return self
        problem = explained(self.unfit)
        if self.made is None:
            reason = f"{problem.what} At {problem.where}: {problem.found}."
        else:
            reason = f"{self.reason}; closer: {problem.what} {problem.where}"
        made = None if self.made is None else replace(self.made, unfit=None)
        return replace(self, reason=reason, made=made, unfit=None)

    @property
    def worked(self) -> npt.NDArray[np.bool_]:
        """(n,) cells whose level changes by more than the solver's rounding."""
        return np.abs(self.design - self.strip.cells.ground) > 1e-6

    @property
    def state(self) -> State:
        """The zones on the design, to be disturbed."""
        return State(self.zones, self.strip, self.design)

    def own(self, zone_id: str) -> npt.NDArray[np.bool_]:
        """The cells of the strip that are nearest to one of the zones."""
        away = []
        for zone in self.zones:
            along, off = zone.line.from_map(self.strip.x, self.strip.y)
            away.append(np.hypot(off, np.maximum(np.maximum(-along, along - zone.line.length), 0.0)))
        return np.argmin(away, axis=0) == [zone.zone_id for zone in self.zones].index(zone_id)

    def volumes(self, mine: npt.NDArray[np.bool_] | None = None) -> tuple[float, float, float, float]:
        """Cut m3, fill m3, worked area m2 and greatest depth m, over all cells or those given."""
        change = self.design - self.strip.cells.ground
        if mine is not None:
            change = change[mine]
        a = self.strip.cells.area
        moved = np.abs(change) > 1e-4
        depth = float(np.abs(change).max()) if len(change) else 0.0
        cut = np.abs(change[change < 0]).sum() * a  # no minus before nothing
        return float(cut), float(change[change > 0].sum() * a), float(moved.sum() * a), depth

    def on(self, strip: StripCells) -> np.ndarray | None:
        """Change of level on the cells of another strip of the same grid, (n,) m; None where it does not hold all."""
        mine = self.worked
        # cells are distinguished by their centres, to the millimetre
        place = {(round(x * 1e3), round(y * 1e3)): i for i, (x, y) in enumerate(zip(strip.x, strip.y, strict=True))}
        moved = zip(self.strip.x[mine], self.strip.y[mine], strict=True)
        number = [place.get((round(x * 1e3), round(y * 1e3)), -1) for x, y in moved]
        if -1 in number:
            return None
        change = np.zeros(len(strip.x))
        change[number] = (self.design - self.strip.cells.ground)[mine]
        return change
