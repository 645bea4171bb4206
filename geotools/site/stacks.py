"""Which heads stand on a post: rules from threats to heads, as placeholders a site file may replace."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import model_validator

from geotools.errors import SiteError
from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting
from geotools.site.catalogue import COMMON

Polarisation = Literal["vertical", "horizontal"]


class Level(SiteSection):
    """One head of the stack on every post."""

    level: Literal["low", "main", "top"] = setting("place in the stack")
    head_type: str = setting("head type, from the catalogue or from head_types")
    height_m: float = setting("height of the head's axis above the ground", unit="m", gt=0.05, le=10)
    min_height_m: float = setting("lowest height it may be set to", unit="m", mark=COMMON, default=0.2, gt=0.05, le=10)
    max_height_m: float | None = setting(
        "highest height it may be set to; empty for 0.15 m above its height", unit="m", default=None, gt=0.05, le=10
    )
    polarisation: Polarisation | None = setting(
        "plane of the electric field; empty to turn every second head of a band", mark=COMMON, default=None
    )

    @property
    def limits_m(self) -> tuple[float, float]:
        """Lowest and highest height it may be set to."""
        return self.min_height_m, self.height_m + 0.15 if self.max_height_m is None else self.max_height_m

    @model_validator(mode="after")
    def _limits_agree(self) -> Level:
        lowest, highest = self.limits_m
        if not lowest <= self.height_m <= highest:
            raise ValueError(
                f"the height limits of level {self.level!r} contradict: lowest {lowest:g}, height {self.height_m:g}, "
                f"highest {highest:g} m"
            )
        return self


class StackRule(Level):
    """A head that certain threats ask for."""

    threats: tuple[str, ...] = setting("threats that call for this head; empty for every post", default=())
    at_fence_top: bool = setting(
        "whether it stands at the height of the fence instead of height_m", mark=CHOICE, default=False
    )
    source: str = setting("where the rule comes from", default="site file")


def default_stack_rules() -> tuple[StackRule, ...]:
    """One head for people on foot, a low one for the prone, one at the fence's top; heights are round placeholders."""
    return (
        StackRule(level="main", head_type="10 GHz", height_m=0.9, min_height_m=0.5, source=PLACEHOLDER),
        StackRule(
            level="low",
            head_type="24 GHz",
            height_m=0.30,
            min_height_m=0.20,
            threats=("prone", "prone side-on", "sphere"),
            source=PLACEHOLDER,
        ),
        StackRule(
            level="top",
            head_type="10 GHz",
            height_m=2.4,
            min_height_m=1.2,
            threats=("bridge", "assisted jump"),
            at_fence_top=True,
            source=PLACEHOLDER,
        ),
    )


def height_unknown(threats: Sequence[str], where: str) -> SiteError:
    """The question how high the fence is, where threats that cross it at its height are named."""
    return SiteError(
        "a threat crosses the fence at its height, and nobody says how high the fence is",
        where=where,
        found=f"threats {', '.join(threats)}; no fence_height_m",
        expected="the height of every fence line, m",
        mend="set fence_height_m in the site file, or give the fence features a field height_m",
    )


def called_rules(threats: Sequence[str], rules: Sequence[StackRule]) -> list[StackRule]:
    """The rules that the threats call up, in their order; of two for one place in the stack the first counts."""
    called: dict[str, StackRule] = {}
    for rule in rules:
        if rule.level not in called and (not rule.threats or set(rule.threats) & set(threats)):
            called[rule.level] = rule
    return list(called.values())


def stack_for(
    threats: Sequence[str], rules: Sequence[StackRule], fence_height_m: float | None, band_ghz: dict[str, float]
) -> tuple[Level, ...]:
    """Heads on every post, lowest first, by the rules that the threats call up.

    Parameters
    ----------
    threats : names of targets. rules : in any order; of two for one place in the stack the first counts.
    fence_height_m : height of a head that stands at the fence's top; SiteError where one does and this is None.
    band_ghz : carrier of every head type by name, to tell heads of one band.
    """
    called: dict[str, Level] = {}
    for rule in called_rules(threats, rules):
        height = rule.height_m
        if rule.at_fence_top:
            if fence_height_m is None:
                raise height_unknown([t for t in threats if not rule.threats or t in rule.threats], "stack_rules")
            height = fence_height_m
        called[rule.level] = Level(
            level=rule.level,
            head_type=rule.head_type,
            height_m=height,
            min_height_m=min(rule.min_height_m, height),
            max_height_m=None if rule.max_height_m is None else max(rule.max_height_m, height),
            polarisation=rule.polarisation,
        )
    return cross_polarised(sorted(called.values(), key=lambda level: level.height_m), band_ghz)


def cross_polarised(levels: Sequence[Level], band_ghz: dict[str, float]) -> tuple[Level, ...]:
    """The stack with every second head of a band turned by 90 degrees, where the site file leaves it open.

    Heads of one band on one post would interfere; crossed polarisations keep them apart (common practice).
    """
    seen: dict[int, int] = {}
    done: list[Level] = []
    for level in levels:
        band = round(band_ghz[level.head_type])
        place = seen.get(band, 0)
        seen[band] = place + 1
        chosen: Polarisation = level.polarisation or ("horizontal" if place % 2 else "vertical")
        done.append(level.model_copy(update={"polarisation": chosen}))
    return tuple(done)
