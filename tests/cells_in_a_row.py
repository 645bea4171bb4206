"""Ground cells in a row and lines of sight over them, for small grading programmes worked by hand."""

import numpy as np

from geotools.earthwork.limits import SightLine
from geotools.terrain.cells import Cells

AREA = 0.25


def chain(ground, movable=None) -> Cells:
    """Cells in a row, 0.5 m apart."""
    n = len(ground)
    place = np.c_[np.arange(n) * 0.5 + 0.25, np.zeros(n)]
    free = np.ones(n, bool) if movable is None else np.asarray(movable, bool)
    pairs = np.c_[np.arange(n - 1), np.arange(1, n)]
    return Cells(np.asarray(ground, float), AREA, pairs, np.full(n - 1, 0.5), free, place)


def sight(name, cells, fraction, low, high, ends, free=((0.0, 0.0), (0.0, 0.0))) -> SightLine:
    reach = tuple((end + down, end + up) for end, (down, up) in zip(ends, free, strict=True))
    full = [np.broadcast_to(np.asarray(v, float), len(cells)) for v in (low, high)]
    return SightLine(name, np.asarray(cells), np.asarray(fraction, float), *full, tuple(ends), reach)
