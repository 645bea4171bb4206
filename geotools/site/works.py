"""What the engineer allows on the ground, and what things cost."""

from __future__ import annotations

from pydantic import model_validator

from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting
from geotools.site.catalogue import COMMON


class GradingLimits(SiteSection):
    """Limits of the earthwork; the defaults are starting points for the engineer, not design values."""

    max_slope: float = setting(
        "steepest slope of graded ground, rise over run", mark=COMMON, default=0.33, gt=0.01, le=2
    )
    under_m: float = setting(
        "half width of the ground under the beam that has to be straight, about the radius of the first Fresnel zone "
        "(ITU-R P.530-18: 0.56 m at 24 GHz and 0.84 m at 10.5 GHz, midway of 100 m)",
        unit="m",
        mark=COMMON,
        default=1.0,
        ge=0.25,
        le=10,
    )
    batter_m: float = setting(
        "ground on both sides of that which may be worked to tie in", unit="m", mark=COMMON, default=2.0, ge=0.5, le=20
    )
    headroom: float = setting(
        "share of the threshold that graded ground keeps in hand, for it is never built exactly",
        mark=COMMON,
        default=0.10,
        ge=0,
        le=1,
    )
    keep_off_fence_m: float = setting(
        "ground beside the fence that keeps its level", unit="m", mark=COMMON, default=0.5, ge=0, le=10
    )
    min_fall: float = setting(
        "fall of graded ground along the way of its water, rise over run", mark=COMMON, default=0.005, ge=0, le=0.2
    )
    keep_fall: bool = setting(
        "whether flow paths through the strip keep their fall or get a crossing; else ponds are only reported",
        mark=CHOICE,
        default=True,
    )
    catchment_m2: float = setting(
        "flow paths that drain at least so much keep their fall from the first; smaller ones where water would stand",
        unit="m2",
        mark=COMMON,
        default=100.0,
        ge=1,
        le=1e6,
    )
    build_tolerance_m: float = setting(
        "how far built levels may lie off the design while the zone stays clear",
        unit="m",
        mark=COMMON,
        default=0.03,
        ge=0,
        le=0.2,
    )
    settlement_m: float = setting(
        "how far fill may settle while the zone stays clear", unit="m", mark=COMMON, default=0.05, ge=0, le=0.3
    )
    head_tolerance_m: float = setting(
        "how far heads may be off their height while the zone stays clear",
        unit="m",
        mark=COMMON,
        default=0.02,
        ge=0,
        le=0.2,
    )
    least_lift_m: float = setting(
        "thinnest cut or fill that is made; what the survey's accuracy does not show is left alone too",
        unit="m",
        mark=COMMON,
        default=0.05,
        ge=0,
        le=0.5,
    )
    least_width_m: float = setting("narrowest work a machine makes", unit="m", mark=COMMON, default=1.0, ge=0, le=5)
    balance: float | None = setting(
        "compacted fill from one bank cubic metre of cut (0.9 for 10 % shrinkage), where cut alone must feed the fill; "
        "empty where soil may come and go",
        default=None,
        ge=0.3,
        le=2.0,
    )
    cell_m: float | None = setting(
        "side of the cells that are graded; empty to take it from the terrain model",
        unit="m",
        default=None,
        ge=0.2,
        le=2,
    )
    no_dig: str | None = setting("vector file with areas where nothing may be moved", default=None)
    no_dig_layer: str | None = setting("layer of that file, where it has several", default=None)
    no_dig_crs: str | None = setting("coordinate system of that file where it names none", default=None)

    @model_validator(mode="after")
    def _slopes_agree(self) -> GradingLimits:
        if self.min_fall >= self.max_slope:
            raise ValueError(
                f"the slope limits contradict: min_fall {self.min_fall:g} is not below max_slope {self.max_slope:g}"
            )
        return self


class SitePrices(SiteSection):
    """Prices in the site's own currency. The defaults are round placeholders: set your own."""

    currency: str = setting("currency, for headings", mark=CHOICE, default="EUR", min_length=1, max_length=12)
    cut_m3: float = setting("dig, load and take away one cubic metre", mark=PLACEHOLDER, default=18.0, gt=0)
    fill_m3: float = setting("bring, place and compact one cubic metre", mark=PLACEHOLDER, default=32.0, gt=0)
    haul_m3: float = setting(
        "carry one cubic metre of the surplus of cut or of fill, on top of the two", mark=PLACEHOLDER, default=0.0, ge=0
    )
    surface_m2: float = setting("trim and cover one square metre of worked ground", mark=PLACEHOLDER, default=4.0, ge=0)
    strip_m2: float = setting(
        "strip the topsoil of one square metre and put it back", mark=PLACEHOLDER, default=0.0, ge=0
    )
    set_head: float = setting("set one head to another height and align it", mark=PLACEHOLDER, default=120.0, ge=0)
    head: float = setting("supply and mount one more head", mark=PLACEHOLDER, default=2500.0, ge=0)
    post: float = setting("one more post with foundation and cabling", mark=PLACEHOLDER, default=1800.0, ge=0)
    stone_fill_m: float = setting(
        "one metre of stone fill that passes water through works", mark=PLACEHOLDER, default=40.0, ge=0
    )
    grated_drain_m: float = setting(
        "one metre of drain under a grate through works", mark=PLACEHOLDER, default=160.0, ge=0
    )
    pipe_m: float = setting("one metre of pipe through works, covered", mark=PLACEHOLDER, default=70.0, ge=0)
    pipe_end: float = setting("one inlet or outlet of a pipe", mark=PLACEHOLDER, default=150.0, ge=0)
    nuisance_m: float = setting(
        "what a layout counts for one metre of beam that something which is no threat sets off: the alarms answered "
        "for nothing over the years; 0 leaves it out",
        mark=PLACEHOLDER,
        default=400.0,
        ge=0,
    )
