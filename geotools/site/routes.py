"""Where power and data come from, and how their cables are laid."""

from __future__ import annotations

from pydantic import field_validator

from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting
from geotools.site.catalogue import COMMON

__all__ = ["OHM_PER_KM", "Routes"]

#: Largest resistance of a plain copper conductor at 20 °C, ohm/km, by nominal cross-section, mm2: IEC 60228:2004,
#: table 2 (class 2, stranded; from memory: verify).
OHM_PER_KM = {
    0.5: 36.0,
    0.75: 24.5,
    1.0: 18.1,
    1.5: 12.1,
    2.5: 7.41,
    4.0: 4.61,
    6.0: 3.08,
    10.0: 1.83,
    16.0: 1.15,
    25.0: 0.727,
    35.0: 0.524,
    50.0: 0.387,
}


class Routes(SiteSection):
    """Cable routes from source points to the posts: trenches, conductors, spare loops."""

    sources: str | None = setting(
        "vector file with the points where power and data come from; field name is used in tables", default=None
    )
    sources_layer: str | None = setting("layer of that file, where it has several", default=None)
    sources_crs: str | None = setting("coordinate system of that file where it names none", default=None)
    beside_m: float = setting(
        "distance of the trench from the posts, away from the fence, so that its fill does not settle under the beams",
        unit="m",
        mark=COMMON,
        default=1.5,
        ge=0,
        le=20,
    )
    clear_m: float = setting(
        "distance of a trench from fences and keep-outs", unit="m", mark=COMMON, default=0.5, ge=0, le=10
    )
    voltage_v: float = setting("direct voltage at the source", unit="V", mark=PLACEHOLDER, default=48.0, gt=0, le=1500)
    head_w: float = setting("power of one head", unit="W", mark=PLACEHOLDER, default=5.0, ge=0, le=500)
    max_drop: float = setting(
        "largest drop of the voltage on the way to a post, share of the source's",
        mark=PLACEHOLDER,
        default=0.10,
        gt=0,
        lt=1,
    )
    conductor_mm2: float = setting(
        "cross-section of the copper conductors, one of the nominal ones of IEC 60228 from 0.5 to 50",
        unit="mm2",
        mark=PLACEHOLDER,
        default=2.5,
    )
    conductor_temp_c: float = setting(
        "temperature of the conductors; the standard's resistances are at 20 °C",
        unit="°C",
        mark=COMMON,
        default=70.0,
        ge=-40,
        le=120,
    )
    cables: int = setting("cables laid in each trench: power and data", mark=PLACEHOLDER, default=2, ge=1, le=20)
    conduits: int = setting("conduits laid in each trench", mark=PLACEHOLDER, default=1, ge=0, le=20)
    slack_m: float = setting(
        "length of each cable left in a coil at each post and source", unit="m", mark=COMMON, default=3.0, ge=0, le=50
    )
    spare_loops: bool = setting(
        "whether the spare loops that are proposed are laid, so that a cut trench is fed from its other end",
        mark=CHOICE,
        default=False,
    )

    @field_validator("conductor_mm2")
    @classmethod
    def _nominal(cls, value: float) -> float:
        if value not in OHM_PER_KM:
            raise ValueError(f"no nominal cross-section; there are {', '.join(f'{one:g}' for one in OHM_PER_KM)} mm2")
        return value
