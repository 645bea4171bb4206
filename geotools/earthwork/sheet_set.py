"""What the earthwork sheets are drawn from, and the colours, legends and quantities that all of them share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.corridor import BeamLine
from geotools.earthwork.waterway import Waterway
from geotools.earthwork.works import MapUnits, Works
from geotools.io.paper import Box, Panel, Sheet, TitleBlock, north_arrow

__all__ = [
    "BEAM",
    "CUT",
    "DESIGN",
    "EXISTING",
    "FENCE",
    "FILL",
    "SIGHT",
    "WATER",
    "Quantities",
    "SheetSet",
    "draw_legend",
    "key_plan",
    "round_levels",
]

Array = npt.NDArray[np.float64]
EXISTING: dict[str, Any] = {"colour": "#404040", "width": 0.3, "dash": (2.0, 1.2)}
DESIGN: dict[str, Any] = {"colour": "#009e73", "width": 0.6}
SIGHT: dict[str, Any] = {"colour": "#0072b2", "width": 0.25, "dash": (0.4, 0.8)}
BEAM: dict[str, Any] = {"colour": "#000000", "width": 0.2}
FENCE: dict[str, Any] = {"colour": "#6e6e6e", "width": 0.3, "dash": (3.0, 1.0)}
WATER: dict[str, Any] = {"colour": "#0072b2", "width": 0.7}
CUT, FILL = "#f0c46a", "#a9d7f2"


@dataclass(frozen=True)
class Quantities:
    """What volumes become when earth is moved.

    Parameters
    ----------
    topsoil_m : float
        Thickness of the topsoil that is stripped and put back, m.
    bulking : float
        Loose volume from one volume in the ground.
    balance : float, optional
        Compacted fill from one volume in the ground; 1 where not stated.
    """

    topsoil_m: float = 0.0
    bulking: float = 1.0
    balance: float | None = None

    def row(self, cut_m3: float, fill_m3: float, area_m2: float) -> tuple[float, ...]:
        """Area, topsoil, cut in the ground and loose, fill compacted and the ground that it takes: m2, then m3."""
        needed = fill_m3 / (1.0 if self.balance is None else self.balance)
        return area_m2, area_m2 * self.topsoil_m, cut_m3, cut_m3 * self.bulking, fill_m3, needed

    def notes(self) -> tuple[str, ...]:
        """What the figures stand on, in sentences."""
        compacted = (
            "one cubic metre in the ground is taken to give one of compacted fill, as no shrinkage factor is given"
            if self.balance is None
            else f"one cubic metre in the ground gives {self.balance:g} of compacted fill"
        )
        return (
            f"Cut loose is cut times {self.bulking:g} (bulking); {compacted}.",
            f"Topsoil of {self.topsoil_m:g} m is stripped from the worked area, kept and put back; it is counted "
            "beside cut and fill. Design levels are finished levels, topsoil included.",
            "Cut and fill of this table are summed cell by cell; each zone's sheet has two other methods beside them.",
        )


@dataclass(frozen=True)
class SheetSet:
    """A set of earthwork drawings.

    Parameters
    ----------
    block : TitleBlock
        What the title block of each sheet says.
    works : sequence of Works
        Zones with earthworks.
    lines : mapping of str to BeamLine
        Every zone of the site, for the key plan.
    fences : sequence of (n, 2) arrays
        Fence lines, m.
    quantities : Quantities
        Bulking and stripping.
    units : MapUnits
        What coordinates are written in; lengths and levels are metres.
    waterways : sequence of Waterway
        Ways for water that the works need.
    notes : tuple of str
        General notes of the first sheet.
    """

    block: TitleBlock
    works: Sequence[Works]
    lines: Mapping[str, BeamLine]
    fences: Sequence[Array] = ()
    quantities: Quantities = field(default_factory=Quantities)
    units: MapUnits = field(default_factory=MapUnits)
    waterways: Sequence[Waterway] = ()
    notes: tuple[str, ...] = ()

    def extent(self) -> tuple[Array, Array]:
        """Lowest and highest map coordinates of zones and fences, m."""
        ends = [np.array([[line.x0, line.y0], [line.x1, line.y1]]) for line in self.lines.values()]
        points = np.concatenate([*ends, *(np.asarray(fence, float)[:, :2] for fence in self.fences)])
        return points.min(axis=0), points.max(axis=0)


def draw_legend(sheet: Sheet, at: tuple[float, float], lines: Mapping[str, Mapping[str, Any]]) -> float:
    """Samples with words in a row: cut, fill and the lines that are named; gives back where it ends, mm."""
    x, y = at
    for colour, word in ((CUT, "cut"), (FILL, "fill")):
        sheet.area([(x, y - 2.6), (x + 8, y - 2.6), (x + 8, y), (x, y)], colour)
        sheet.words((x + 9.5, y), word, 7.5)
        x += 20
    for word, look in lines.items():
        sheet.line([(x, y - 1.2), (x + 10, y - 1.2)], **look)
        sheet.words((x + 11.5, y), word, 7.5)
        x += 17 + sheet.document.width_of(word, 7.5)
    return x


def key_plan(sheet: Sheet, box: Box, drawings: SheetSet, shown: Sequence[str]) -> None:
    """The whole site small, the zones of this sheet heavy and named."""
    sheet.words((box.left + 2.5, box.top + 4.0), "key plan, not to scale", 5.5)
    inner = Box(box.left + 6, box.top + 7, box.width - 26, box.height - 10)
    low, high = drawings.extent()
    span = np.maximum(high - low, 1.0)
    scale = float((span * 1000.0 / [inner.width, inner.height]).max())
    middle = (low + high) / 2
    origin = middle - np.array([inner.width, inner.height]) * scale / 2000.0
    panel = Panel.to_scale(sheet, inner, (float(origin[0]), float(origin[1])), scale)
    for fence in drawings.fences:
        sheet.line(panel.at(fence[:, 0], fence[:, 1]), colour=FENCE["colour"], width=0.15)
    for name, line in drawings.lines.items():
        heavy = name in shown
        ends = panel.at(np.array([line.x0, line.x1]), np.array([line.y0, line.y1]))
        sheet.line(ends, width=0.9 if heavy else 0.2, colour="#d55e00" if heavy else "#000000")
    if len(shown) == 1:
        sheet.words((box.right - 2.5, box.bottom - 2.5), shown[0], 6.5, anchor="end", bold=True, room=box.width - 10)
    north_arrow(sheet, (box.right - 9.0, box.top + 15.0), size=10.0)


def round_levels(low: float, high: float, step: float) -> Array:
    """Multiples of a step within two levels."""
    return np.arange(np.ceil(low / step - 1e-6), np.floor(high / step + 1e-6) + 1) * step
