"""When each head wants care, and what the two ways of keeping a radome water-shedding cost over its life.

No files. The intervals given as defaults are common practice, no source; an equipment manual that says otherwise wins.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta

from dateutil.relativedelta import relativedelta

from geotools.errors import NumericInputError

__all__ = [
    "CARE",
    "Care",
    "CareRates",
    "LifeCost",
    "Visit",
    "break_even_price",
    "choose_radome_care",
    "life_cost",
    "plan_visits",
]


@dataclass(frozen=True)
class Care:
    """One kind of care.

    months : interval. first : months from the start to the first visit. season : calendar months it is done in,
    empty = all the year. scope : "head" or "zone". minutes : of one person, for each head or zone. done : what to do.
    """

    name: str
    months: int
    scope: str
    minutes: float
    done: str
    first: int | None = None
    season: tuple[int, ...] = ()


WAX = Care("radome wax", 3, "head", 15, "Wash the radome, let it dry, wax it so that water beads and runs off.")
SHED = Care("radome replacement", 24, "head", 30, "Replace the water-shedding radome; then check the alignment.")
WASH = Care("radome wash", 3, "head", 5, "Rinse the water-shedding radome with clean water; do not wax or polish it.")

CARE: tuple[Care, ...] = (
    Care("rain hood", 6, "head", 3, "Hood tight, whole and on the upper side (heads turned 90 degrees too)."),
    Care("drip holes", 6, "head", 3, "Drip holes at the lowest side and open; no water behind the radome."),
    Care(
        "alignment", 12, "head", 20, "Compare the received level with the set-up record; re-aim on the sheet's azimuth."
    ),
    Care(
        "grass",
        1,
        "zone",
        45,
        "Cut the corridor to the site's limit; take the cuttings out.",
        season=(4, 5, 6, 7, 8, 9, 10),
    ),
    Care(
        "ponds", 6, "zone", 15, "Walk the corridor after rain: note standing water, ruts, wash-outs; refill and drain."
    ),
    Care(
        "re-survey", 12, "zone", 30, "Level the ground along the beams against the design surface; run the gaps again."
    ),
)
STORM = Care(
    "storm re-survey", 0, "zone", 30, "After the storm: erosion, debris, ponds, leaning posts; re-level what moved."
)


def choose_radome_care(choice: str, wax_months: int = 3, radome_months: int = 24) -> tuple[Care, ...]:
    """The radome's care for the site's choice: "wax" (cleaned and waxed) or "shed" (water-shedding, replaced)."""
    if wax_months < 1 or radome_months < 1:
        raise NumericInputError(
            "Interval of care under a month", found=f"{min(wax_months, radome_months)} months", expected="1 or more"
        )
    if choice == "wax":
        return (replace(WAX, months=wax_months),)
    if choice == "shed":
        # the new radome fitted at the start is replaced at the end of its life, not on the first day
        return (replace(SHED, months=radome_months, first=radome_months), replace(WASH, months=wax_months))
    raise NumericInputError("Unknown radome care", where="choice", found=choice, expected="wax or shed")


@dataclass(frozen=True, order=True)
class Visit:
    """One dated piece of care at one head or zone."""

    day: date
    care: str
    scope: str
    place: str
    minutes: float
    done: str


def plan_visits(
    cares: Iterable[Care],
    start: date,
    years: int,
    *,
    heads: Sequence[str],
    zones: Sequence[str],
    storms: Sequence[date] = (),
    storm_days: int = 7,
) -> list[Visit]:
    """Every visit from `start` over `years`, sorted by day, care and place.

    Months are calendar months: from 31 January, a month on is the last day of February. A care with a season is
    left out in the other months. Each storm brings a re-survey of every zone `storm_days` later.
    """
    if years < 1:
        raise NumericInputError("Plan of no length", where="years", found=years, expected="1 or more")
    end = start + relativedelta(years=years)
    visits = []
    for care in cares:
        places = heads if care.scope == "head" else zones
        months = care.months if care.first is None else care.first
        while (day := start + relativedelta(months=months)) <= end:
            if not care.season or day.month in care.season:
                visits += [Visit(day, care.name, care.scope, p, care.minutes, care.done) for p in places]
            months += care.months
    for storm in storms:
        day = storm + timedelta(days=storm_days)
        visits += [Visit(day, STORM.name, STORM.scope, z, STORM.minutes, STORM.done) for z in zones]
    return sorted(visits)


@dataclass(frozen=True)
class LifeCost:
    """Cost of one way of radome care over the life, in the site's currency.

    visits : to one head. labour, material : undiscounted sums. total : both, discounted to the start.
    by_year : undiscounted, one number for each year.
    """

    choice: str
    visits: int
    labour: float
    material: float
    total: float
    by_year: tuple[float, ...]


@dataclass(frozen=True)
class CareRates:
    """What care of a radome costs, in the site's currency.

    Attributes
    ----------
    hour_rate : float
        One hour of one person.
    wax_price : float
        Material of one waxing.
    radome_price : float
        One radome.
    discount : float
        A year, as a fraction; a cost t years from the start counts 1 / (1 + discount) ** t.
    """

    hour_rate: float
    wax_price: float
    radome_price: float
    discount: float = 0.0


def life_cost(
    choice: str,
    years: int,
    n_heads: int,
    rates: CareRates,
    *,
    wax_months: int = 3,
    radome_months: int = 24,
) -> LifeCost:
    """Cost over `years` of keeping `n_heads` radomes water-shedding the one way or the other.

    Parameters
    ----------
    choice : str
        Way of care.
    years, n_heads : int
        How long, and how many heads.
    rates : CareRates
        What it costs.
    wax_months, radome_months : int
        Months from one waxing, or radome, to the next.

    The first fitting belongs to the installation and is left out of both.
    """
    prices = asdict(rates)
    if min(prices.values()) < 0 or n_heads < 1:
        raise NumericInputError("Cost below nothing, or no heads", found=f"{prices}, heads {n_heads}", expected=">= 0")
    material_of = {WAX.name: rates.wax_price, SHED.name: rates.radome_price, WASH.name: 0.0}
    by_year = [0.0] * years
    labour = material = total = 0.0
    visits = 0
    for care in choose_radome_care(choice, wax_months, radome_months):
        months = care.months if care.first is None else care.first
        while months <= 12 * years:
            work = n_heads * care.minutes / 60.0 * rates.hour_rate
            parts = n_heads * material_of[care.name]
            labour, material, visits = labour + work, material + parts, visits + 1
            total += (work + parts) / (1.0 + rates.discount) ** (months / 12.0)
            by_year[(months - 1) // 12] += work + parts
            months += care.months
    return LifeCost(choice, visits, labour, material, total, tuple(by_year))


def break_even_price(wax: LifeCost, shed: LifeCost, n_heads: int, radome_price: float) -> float | None:
    """Radome price at which both ways cost the same, undiscounted; None if no radome falls due in the time."""
    replacements = shed.material / (n_heads * radome_price) if radome_price > 0 else 0.0
    if replacements == 0:
        return None
    return (wax.labour + wax.material - shed.labour) / (n_heads * replacements)
