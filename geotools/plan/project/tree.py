"""How the map is laid out, said once: groups, what is shown at first, from which scale on, what lies over what."""

from __future__ import annotations

from dataclasses import dataclass

from geotools.plan.schema.style import BLUE, SKY, VERMILION

__all__ = ["GROUPS", "OTHER", "Group", "Ramp", "RasterEntry", "VectorEntry"]


@dataclass(frozen=True)
class Ramp:
    """Colours of a raster.

    Attributes
    ----------
    stops : tuple of (value, ``#rrggbb``, opacity, legend)
        Values rising, in the raster's unit.
    stepped : bool
        Whether a colour holds up to its value, or runs from one value to the next.
    """

    stops: tuple[tuple[float, str, float, str], ...]
    stepped: bool = False


@dataclass(frozen=True)
class VectorEntry:
    """A layer of the plan in the map.

    Attributes
    ----------
    layer : str
        Name of the layer.
    shown : bool
        Whether it is switched on when the plan is opened for the first time.
    scale : int
        It is drawn from 1:scale on, closer; 0 at every scale.
    by_threat : bool
        An entry for each threat, so that none hides another.
    top : int
        What has more lies over what has less; among equals points lie over lines, and lines over areas.
    """

    layer: str
    shown: bool = False
    scale: int = 0
    by_threat: bool = False
    top: int = 0


@dataclass(frozen=True)
class RasterEntry:
    """A raster beside the plan in the map: ``bands`` is how many of its bands are shown, 0 for all; ``ramp`` None
    shades the ground by light from the north-west."""

    file: str
    title: str
    ramp: Ramp | None
    shown: bool = False
    bands: int = 1


@dataclass(frozen=True)
class Group:
    """A heading of the map with what stands under it.

    ``plain`` : the heading where the plan does not hold the group's first layer, after which it is named.
    """

    name: str
    entries: tuple[VectorEntry | RasterEntry, ...]
    plain: str = ""


#: Best modulation, dark where least is received of a crossing; lightness alone shows the order.
_MODULATION = Ramp(
    (
        (0.0, "#00224e", 0.9, "0"),
        (0.25, "#575d6d", 0.8, "0.25"),
        (0.5, "#a59c74", 0.7, "0.5"),
        (1.0, "#fee838", 0.5, "1 and more"),
    )
)
_CRAWL_GAP = Ramp(
    (
        (0.2, "#ffffff", 0.0, "up to 0.2 m"),
        (0.4, "#fdd49e", 0.8, "0.2 to 0.4 m"),
        (0.6, "#ef6548", 0.8, "0.4 to 0.6 m"),
        (1.0, "#990000", 0.8, "0.6 to 1.0 m"),
        (float("inf"), "#3f007d", 0.8, "more than 1.0 m, or nothing detected at all"),
    ),
    stepped=True,
)
_CUT_FILL = Ramp(
    (
        (-1.0, VERMILION, 1.0, "cut 1 m"),
        (-0.02, "#fbe3d6", 0.8, "cut"),
        (-0.005, "#ffffff", 0.0, ""),
        (0.005, "#ffffff", 0.0, ""),
        (0.02, SKY, 0.8, "fill"),
        (1.0, BLUE, 1.0, "fill 1 m"),
    )
)
OTHER = "Other layers"
GROUPS: tuple[Group, ...] = (
    Group(
        "Fence and verdicts",
        (
            VectorEntry("verdicts", shown=True, by_threat=True, top=9),
            VectorEntry("fence", shown=True, top=5),
            VectorEntry("zones", shown=True, scale=25_000, top=-2),
            VectorEntry("corridor", top=-3),
            VectorEntry("clear_ground", top=-4),
            VectorEntry("widths", scale=5_000),
            VectorEntry("standoffs", scale=10_000, top=1),
            VectorEntry("conflicts", shown=True, scale=10_000, top=6),
            VectorEntry("changes", scale=10_000),
        ),
        plain="Fence",
    ),
    Group(
        "Heads and beams",
        (
            VectorEntry("heads", shown=True, scale=5_000, top=4),
            VectorEntry("beams", shown=True, scale=5_000, top=3),
            VectorEntry("beam_levels"),
            VectorEntry("head_heights"),
        ),
    ),
    Group(
        "Weak places",
        (
            VectorEntry("dead_spots", shown=True, scale=10_000, by_threat=True, top=7),
            VectorEntry("crossings", scale=5_000, top=6),
            VectorEntry("resurvey", scale=2_500),
            VectorEntry("sensitivity"),
            RasterEntry("crawl_gap.tif", "Crawl gap", _CRAWL_GAP),
            RasterEntry("corridor.tif", "Modulation", _MODULATION, bands=0),
        ),
    ),
    Group(
        "Operating window",
        (
            VectorEntry("operating_windows", scale=25_000, top=1),
            VectorEntry("set_off", scale=5_000, top=5),
            VectorEntry("nuisance_reach", scale=5_000, top=-2),
            VectorEntry("window_options"),
            VectorEntry("window_surfaces"),
            VectorEntry("window_weather"),
            RasterEntry("nuisance.tif", "Modulation of movers", _MODULATION, bands=0),
        ),
    ),
    Group(
        "Remedy",
        (
            VectorEntry("advice", scale=5_000, top=2),
            VectorEntry("proposed_heads", scale=5_000, top=3),
            VectorEntry("options"),
            VectorEntry("earthworks", shown=True, scale=10_000, top=-1),
            VectorEntry("gradings"),
            VectorEntry("grading_points", scale=1_000),
            VectorEntry("as_built", scale=2_500),
            VectorEntry("acceptance"),
            RasterEntry("cut_fill.tif", "Cut and fill", _CUT_FILL),
        ),
    ),
    Group(
        "Water",
        (
            VectorEntry("water_crossings", shown=True, scale=5_000),
            VectorEntry("flow_crossings", scale=5_000),
            VectorEntry("ponds", scale=5_000),
        ),
    ),
    Group(
        "Cable routes",
        (
            VectorEntry("routes", shown=True, scale=10_000, top=1),
            VectorEntry("route_crossings", scale=5_000),
            VectorEntry("supply", scale=5_000),
        ),
    ),
    Group("Cameras", (VectorEntry("cameras", scale=10_000), VectorEntry("views", scale=10_000, top=-5))),
    Group(
        "Field",
        (
            VectorEntry("stakeout", scale=2_500),
            VectorEntry("walk_test", scale=2_500),
            VectorEntry("walk_result"),
            VectorEntry("walk_heads"),
            VectorEntry("commission", scale=2_500),
            VectorEntry("as_set"),
            VectorEntry("upkeep", scale=2_500),
            VectorEntry("upkeep_cost"),
            VectorEntry("bill"),
        ),
    ),
    Group(
        "Ground",
        (
            VectorEntry("profiles"),
            RasterEntry("design.tif", "Proposed ground, shaded", None, shown=True),
        ),
    ),
)
