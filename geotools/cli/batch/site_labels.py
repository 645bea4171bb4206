"""Names of sites on the map of a batch, none over another where sites lie close together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["label_sites"]

#: Size of the letters, distance from the site, and of one row of names to the next, points.
_SIZE, _OFF, _ROW = 8, 5, 11
#: Rows of names above or below a site.
_ROWS = 40


def _places() -> Iterator[dict[str, Any]]:
    """Where a name may stand, the best first: above, below, beside, then farther off with a line to its site."""
    yield {"xytext": (0, _OFF), "ha": "center", "va": "bottom"}
    yield {"xytext": (0, -_OFF), "ha": "center", "va": "top"}
    yield {"xytext": (2 * _OFF, 0), "ha": "left", "va": "center"}
    yield {"xytext": (-2 * _OFF, 0), "ha": "right", "va": "center"}
    line = {"arrowstyle": "-", "lw": 0.5, "color": "#777777", "shrinkA": 0, "shrinkB": 0}
    for row in range(1, _ROWS):
        away = _OFF + row * _ROW
        yield {"xytext": (0, away), "ha": "center", "va": "bottom", "arrowprops": line}
        yield {"xytext": (0, -away), "ha": "center", "va": "top", "arrowprops": line}


def label_sites(ax: Axes, sites: Mapping[str, tuple[float, float, float, float]]) -> None:
    """Write the name of every site beside it, on axes whose limits and aspect are set.

    Parameters
    ----------
    ax : Axes
        The map, with its lines drawn.
    sites : mapping of str to (float, float, float, float)
        By name: least x and y, most x and y, map units.
    """
    figure = ax.get_figure(root=True)
    assert figure is not None
    # places the axes, without which the size of a name on the map is not known
    figure.draw_without_rendering()
    taken: list[Any] = []
    for site, (a, b, c, d) in sorted(sites.items(), key=lambda one: (-one[1][3], one[1][0], one[0])):
        for place in _places():
            y = b if place["va"] == "top" else d if place["va"] == "bottom" else (b + d) / 2
            x = a if place["ha"] == "right" else c if place["ha"] == "left" else (a + c) / 2
            name = ax.annotate(site, (x, y), textcoords="offset points", fontsize=_SIZE, annotation_clip=False, **place)
            # the words alone: the box of the whole would take in the line to the site
            box = super(type(name), name).get_window_extent()
            if not any(box.overlaps(other) for other in taken):
                break
            name.remove()
        else:
            continue
        taken.append(box)
