"""Scales and legends of the report's drawings, laid out in inches.

A plotting library seeks room for every word anew at each drawing, which takes most of the time of a report with many
zones. Here the places are known beforehand, and lines of one kind are one artist.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from geotools.plan.schema.style import BLACK, BLUE, GREEN, GREY, PALE, PURPLE, VERMILION

__all__ = ["FONT_PT", "HATCH", "LETTER_EM", "THREAT_LINE", "Legend", "marks", "scales"]

Floats = NDArray[np.float64]
FONT_PT = 8.5
#: Mean width of a letter in parts of the font's size, an upper bound for words of several.
LETTER_EM = 0.66
#: Height of a legend's row, length of its sample: inches.
_ROW, _SAMPLE = 0.19, 0.33
THREAT_LINE = ((VERMILION, "-"), (BLUE, "--"), (BLACK, ":"), (PURPLE, "-."), (GREEN, (0, (5, 1))), (GREY, (0, (1, 1))))
HATCH = ("////", "\\\\\\\\", "xxxx", "....", "||||", "----")
_MARK_PT, _WORD_PT = 3.5, 7.0


def marks(low: float, high: float, most: int) -> tuple[Floats, list[str]]:
    """Round values from ``low`` to ``high`` in at most ``most`` parts, and what to write at them."""
    values = np.asarray(MaxNLocator(most).tick_values(low, high))
    values = values[(values >= low - 1e-9) & (values <= high + 1e-9)]
    decimals = next(d for d in range(7) if d == 6 or np.allclose(values, np.round(values, d), rtol=0, atol=1e-7))
    # a value that rounds to nothing has no sign
    return values, [f"{v + 0.0:.{decimals}f}".replace("-", "−") for v in np.round(values, decimals)]


def scales(
    ax: Axes, size: tuple[float, float], x: tuple[Floats, list[str]], y: tuple[Floats, list[str]], *, x_words: bool
) -> list[Artist]:
    """Grid, left and lower edge, marks and words of axes whose limits are set; gives back what was added.

    Parameters
    ----------
    size : width and height of the axes, inches. x, y : values and words of the marks.
    x_words : whether the words of the lower scale are written.
    """
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    grid = [((v, y0), (v, y1)) for v in x[0]] + [((x0, v), (x1, v)) for v in y[0]]
    down, left = _MARK_PT / 72 / size[1], _MARK_PT / 72 / size[0]
    across, up = (x[0] - x0) / (x1 - x0), (y[0] - y0) / (y1 - y0)
    short = [((a, 0), (a, -down)) for a in across] + [((0, u), (-left, u)) for u in up]
    looks: dict[str, Any] = {"transform": ax.transAxes, "clip_on": False, "colors": BLACK, "zorder": 2.5}
    added: list[Artist] = [
        ax.add_collection(LineCollection(grid, colors=PALE, linewidths=0.5, zorder=0.5), autolim=False),
        ax.add_collection(LineCollection(short, linewidths=0.8, **looks), autolim=False),
        ax.add_collection(LineCollection([((0, 1), (0, 0), (1, 0))], linewidths=0.6, **looks), autolim=False),
    ]
    pad = _WORD_PT / 72
    if x_words:
        for a, word in zip(across, x[1], strict=True):
            added.append(ax.text(a, -pad / size[1], word, transform=ax.transAxes, ha="center", va="top"))
    for u, word in zip(up, y[1], strict=True):
        added.append(ax.text(-pad / size[0], u, word, transform=ax.transAxes, ha="right", va="center_baseline"))
    return added


class Legend:
    """Samples and words in columns of one width, from the lower left corner of a drawing.

    Parameters
    ----------
    axes : whose labelled artists are named, each label once.
    width : of the drawing, inches; longer words make fewer columns.
    """

    def __init__(self, axes: Iterable[Axes], width: float) -> None:
        pairs = [pair for ax in axes for pair in zip(*ax.get_legend_handles_labels(), strict=True)]
        self.entries: Mapping[str, Artist] = {label: handle for handle, label in pairs}
        longest = max((len(label) for label in self.entries), default=0)
        self._column = 0.25 + _SAMPLE + LETTER_EM * FONT_PT / 72 * longest
        self._width = width
        columns = max(int((width - 0.1) / self._column), 1)
        self._rows = -(-len(self.entries) // columns)

    @property
    def height(self) -> float:
        """Inches it takes."""
        return _ROW * self._rows

    def add_to(self, figure: Figure) -> list[Artist]:
        """Put it on the figure, whose size is final; gives back what was added."""
        wide, tall = (float(v) for v in figure.get_size_inches())
        added: list[Artist] = []
        for place, (label, handle) in enumerate(self.entries.items()):
            column, row = divmod(place, self._rows)
            x, y = 0.12 + column * self._column, 0.08 + (self._rows - row - 0.6) * _ROW
            added += [
                figure.add_artist(_sample(handle, (x / wide, y / tall), (_SAMPLE / wide, 0.09 / tall), figure)),
                figure.text((x + _SAMPLE + 0.1) / wide, y / tall, label, va="center_baseline"),
            ]
        return added


def _sample(handle: Artist, at: tuple[float, float], size: tuple[float, float], figure: Figure) -> Artist:
    """A short piece of what is drawn; ``at`` : middle of its left side, ``size`` : both in parts of the figure."""
    (x, y), (wide, tall) = at, size
    sample: Line2D | Rectangle
    if isinstance(handle, Line2D):
        marker = handle.get_linestyle() in ("None", "", " ")
        sample = Line2D([x + wide / 2] if marker else [x, x + wide], [y] if marker else [y, y])
    else:
        sample = Rectangle((x, y - tall / 2), wide, tall)
    sample.update_from(handle)
    sample.set(transform=figure.transFigure, label="", clip_box=None, clip_path=None, zorder=5)
    return sample
