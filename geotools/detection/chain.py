"""The line that all beams of a fence line form together, and on which side of it a place lies."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geotools.corridor import BeamLine

__all__ = ["chain_vertices", "side_of"]

Floats = NDArray[np.float64]

_ON_LINE_M = 1e-6


def _meeting(a: BeamLine, b: BeamLine) -> tuple[float, float]:
    """Where line b takes over from line a: their crossing if they cross, else halfway between end and start."""
    ax, ay, bx, by = a.x1 - a.x0, a.y1 - a.y0, b.x1 - b.x0, b.y1 - b.y0
    cross = ax * by - ay * bx
    if abs(cross) > 1e-9 * a.length * b.length:
        t = ((b.x0 - a.x0) * by - (b.y0 - a.y0) * bx) / cross
        s = ((b.x0 - a.x0) * ay - (b.y0 - a.y0) * ax) / cross
        # a line that ends on the other one meets it, whatever the rounding says
        near_a, near_b = _ON_LINE_M / a.length, _ON_LINE_M / b.length
        if -near_a <= t <= 1.0 + near_a and -near_b <= s <= 1.0 + near_b:
            return a.x0 + t * ax, a.y0 + t * ay
    return (a.x1 + b.x0) / 2.0, (a.y1 + b.y0) / 2.0


def chain_vertices(lines: Sequence[BeamLine], closed: bool) -> Floats:
    """(zones + 1, 2) vertices of the chain of beam lines in the fence's order; a closed chain ends where it begins."""
    inner = [_meeting(a, b) for a, b in pairwise(lines)]
    if closed and len(lines) > 1:
        seam = _meeting(lines[-1], lines[0])
        return np.array([seam, *inner, seam])
    return np.array([(lines[0].x0, lines[0].y0), *inner, (lines[-1].x1, lines[-1].y1)])


def side_of(
    vertices: Floats, number: int, x: Floats, y: Floats, closed: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """On which side of the chain places lie, seen along it, and the piece nearest to them.

    Returns +1 for left and -1 for right, and the number of the nearest piece, both in the shape of x; only the pieces
    next to piece ``number`` are computed.
    """
    pieces = len(vertices) - 1
    near = [number - 1, number, number + 1]
    near = [i % pieces for i in near] if closed else [i for i in near if 0 <= i < pieces]
    best = np.full(x.shape, np.inf)
    side = np.zeros(x.shape, dtype=np.intp)
    piece = np.full(x.shape, number, dtype=np.intp)
    for i in dict.fromkeys(near):
        (x0, y0), (x1, y1) = vertices[i], vertices[i + 1]
        dx, dy = x1 - x0, y1 - y0
        square = max(dx * dx + dy * dy, 1e-12)
        t = np.clip(((x - x0) * dx + (y - y0) * dy) / square, 0.0, 1.0)
        distance = np.hypot(x - x0 - t * dx, y - y0 - t * dy)
        cross = dx * (y - y0) - dy * (x - x0)
        closer = distance < best - 1e-9
        # what lies on the line itself is right of it, whatever the rounding says
        side = np.where(closer, np.where(cross > _ON_LINE_M * np.sqrt(square), 1, -1), side)
        piece = np.where(closer, i, piece)
        best = np.minimum(best, distance)
    return side, piece
