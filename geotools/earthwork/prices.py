"""What works cost, as one value that every part of the programme reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geotools.errors import NumericInputError

__all__ = ["CrossingKind", "Prices"]


@dataclass(frozen=True)
class CrossingKind:
    """One way to let water through the works.

    name : for lists. metre : price of one metre from inlet to outlet. ends : price of inlet and outlet together.
    cover_m : least depth of fill over the way it needs. most_catchment_m2 : the largest catchment it is good for.
    """

    name: str
    metre: float
    ends: float = 0.0
    cover_m: float = 0.0
    most_catchment_m2: float = float("inf")

    def price(self, length_m: float) -> float:
        """Price of one crossing of this length."""
        return self.ends + self.metre * length_m


@dataclass(frozen=True)
class Prices:
    """Prices in one currency.

    cut_m3, fill_m3 : one cubic metre, both above zero. haul_m3 : one cubic metre of the surplus of either, on top, to
    or from elsewhere. surface_m2, strip_m2 : one square metre of worked ground, trimmed and covered; its topsoil taken
    off and put back. set_head : one head set to another height. head, post : one more of each. crossings : kinds of
    crossing on offer. placeholders : names of the prices that nobody stated.
    """

    cut_m3: float = 1.0
    fill_m3: float = 1.0
    haul_m3: float = 0.0
    surface_m2: float = 0.0
    strip_m2: float = 0.0
    set_head: float = 0.0
    head: float = 0.0
    post: float = 0.0
    crossings: tuple[CrossingKind, ...] = ()
    placeholders: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        for name in ("cut_m3", "fill_m3", "haul_m3", "surface_m2", "strip_m2", "set_head", "head", "post"):
            value = getattr(self, name)
            least = "above 0" if name in ("cut_m3", "fill_m3") else "0 or more"
            if not (value > 0 if name in ("cut_m3", "fill_m3") else value >= 0):
                raise NumericInputError(
                    "Invalid price.",
                    where=name,
                    found=value,
                    expected=f"a cost {least}",
                    mend="Set the price in the site file.",
                )

    @property
    def area_m2(self) -> float:
        """One square metre of worked ground with everything that is priced by area."""
        return self.surface_m2 + self.strip_m2

    def earth(self, cut_m3: float, fill_m3: float, area_m2: float) -> float:
        """Price of earthworks of these volumes over this area."""
        return (
            self.cut_m3 * cut_m3
            + self.fill_m3 * fill_m3
            + self.haul_m3 * abs(fill_m3 - cut_m3)
            + self.area_m2 * area_m2
        )

    def crossing(self, length_m: float, catchment_m2: float, cover_m: float | None = None) -> CrossingKind | None:
        """The cheapest kind for a length and a catchment, m and m2; None where no kind is good for it.

        cover_m : depth of fill there is over the way; None leaves the kinds out that need cover.
        """
        fit = [
            kind
            for kind in self.crossings
            if catchment_m2 <= kind.most_catchment_m2 and kind.cover_m <= (0.0 if cover_m is None else cover_m)
        ]
        return min(fit, key=lambda kind: (kind.price(length_m), kind.name), default=None)

    def stated(self, names: Sequence[str]) -> bool:
        """Whether every one of these prices was stated and none is a placeholder."""
        return not self.placeholders & set(names)
