"""A strip on ground that is known more finely than its nodes lie: what falls between them still counts.

A trench of 0.4 m between nodes half a metre apart is on no node, and a bank of 1 m is between nodes 2 m apart. The
nodes stay even; each stands for its cell, halfway to the next. A body is looked for on the lowest place of the cell, as
deep below the ground that the field follows there; and the field itself follows the fine ground under the beam line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter

from geotools.beam.cross_section import cross_slope, squared, squared_line
from geotools.beam.profile import capped_ground
from geotools.beam.strip import Strip
from geotools.errors import NumericInputError

__all__ = ["FineGround", "fine_axis", "strip_on"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FineGround:
    """Ground of a strip as finely as the survey holds it.

    Parameters
    ----------
    chainage_m : (m,) even, every node's chainage among them; from :func:`fine_axis`.
    offset_m : (p,) even, every node's offset among them; from :func:`fine_axis`.
    ground_m : (m, p) elevations, metres.
    """

    chainage_m: Floats
    offset_m: Floats
    ground_m: Floats


def fine_axis(nodes: Floats, resolution_m: float) -> Floats:
    """Even places no farther apart than the survey's resolution, the nodes among them.

    Parameters
    ----------
    nodes : (n,) even chainages or offsets, metres.
    resolution_m : spacing of the survey's cells or points, metres.
    """
    parts = max(math.ceil((nodes[-1] - nodes[0]) / (nodes.size - 1) / resolution_m - 1e-9), 1)
    return np.linspace(nodes[0], nodes[-1], (nodes.size - 1) * parts + 1)


def strip_on(chainage_m: Floats, offset_m: Floats, fine: FineGround) -> Strip:
    """The strip of these nodes that misses nothing of the fine ground.

    Parameters
    ----------
    chainage_m : (n,) even, from 0.
    offset_m : (k,) as of :class:`geotools.beam.strip.Strip`.
    fine : ground between the nodes too.

    Returns
    -------
    Strip whose ``ground_m`` are the nodes' own elevations, with ``drop_m`` and ``line_detail_m`` for what lies between.

    Raises
    ------
    NumericInputError : a fine ground whose arrays do not fit each other, or whose places leave nodes out.
    """
    rows, columns = _parts(chainage_m, fine.chainage_m), _parts(offset_m, fine.offset_m)
    if fine.ground_m.shape != (fine.chainage_m.size, fine.offset_m.size):
        raise NumericInputError(
            "the fine ground does not fit its places",
            found=fine.ground_m.shape,
            expected=(fine.chainage_m.size, fine.offset_m.size),
        )
    ground = fine.ground_m[::rows, ::columns]
    node_angle = cross_slope(chainage_m, offset_m, ground)
    angle = np.interp(fine.chainage_m, chainage_m, node_angle)
    line = fine.ground_m[:, fine.offset_m.size // 2]
    square_line = squared_line(fine.chainage_m, line, angle)
    followed = capped_ground(fine.chainage_m, square_line)
    _, above = squared(fine.offset_m, fine.ground_m - line[:, None], angle)
    # ground that the field follows, as it would be without what only one node stands in
    between = np.interp(fine.chainage_m, chainage_m, followed[::rows])
    below = (square_line - np.maximum(between, followed))[:, None] + above
    window = (2 * math.ceil(rows / 2) + 1, 2 * math.ceil(columns / 2) + 1)
    lowest = minimum_filter(below, size=window, mode="nearest")[::rows, ::columns]
    at_node = (square_line - followed)[::rows, None] + above[::rows, ::columns]
    straight = np.interp(fine.chainage_m, chainage_m, square_line[::rows])
    return Strip(
        chainage_m,
        offset_m,
        ground,
        drop_m=np.maximum(at_node - lowest, 0.0),
        line_detail_m=(fine.chainage_m, followed - straight),
    )


def _parts(nodes: Floats, places: Floats) -> int:
    """Fine places a node; NumericInputError where the nodes are not among them."""
    parts, rest = divmod(places.size - 1, nodes.size - 1)
    if rest or parts < 1 or float(np.abs(places[::parts] - nodes).max()) > 1e-6:
        raise NumericInputError(
            "the fine ground leaves nodes of the strip out",
            found=f"{places.size} places for {nodes.size} nodes",
            expected="an even spacing that every node lies on",
            mend="make the places with fine_axis",
        )
    return parts
