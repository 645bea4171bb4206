"""Square ground cells, joined by neighbour pairs, that the grading programme may cut or fill."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geotools.errors import NumericInputError, place_words

__all__ = ["Cells", "strip_cells"]


@dataclass(frozen=True)
class Cells:
    """Square ground cells that may be cut or filled.

    ground : (n,) existing level of each cell. area : plan area of one cell, m2.
    pairs : (m, 2) indices of neighbouring cells. distance : (m,) metres between their centres.
    movable : (n,) False for untouched ground, where the design ties in, and for no-dig cells.
    place : (n, 2) coordinates of the centres, metres. tell : words for the place of a cell, chainage and offset if
    not given.
    """

    ground: np.ndarray
    area: float
    pairs: np.ndarray
    distance: np.ndarray
    movable: np.ndarray
    place: np.ndarray
    tell: Callable[[int], str] | None = None

    def where(self, cell: int) -> str:
        """The place of a cell in words."""
        if self.tell is not None:
            return self.tell(cell)
        return place_words(*self.place[cell])

    def __post_init__(self) -> None:
        n = len(self.ground)
        if not np.isfinite(self.ground).all():
            raise NumericInputError(
                "The ground has cells without a level.",
                found=f"{int((~np.isfinite(self.ground)).sum())} of {n} cells are not finite",
                expected="a level in every cell",
                mend="Fill or clip the terrain model where the strip lies.",
            )
        if len(self.movable) != n or len(self.place) != n or len(self.pairs) != len(self.distance):
            raise NumericInputError(
                "The cell arrays differ in length.",
                found=f"ground {n}, movable {len(self.movable)}, place {len(self.place)}, "
                f"pairs {len(self.pairs)}, distance {len(self.distance)}",
                expected="one entry per cell, one distance per pair",
            )


def strip_cells(ground: np.ndarray, cell: float, *, no_dig: np.ndarray | None = None) -> Cells:
    """A rectangular strip as cells; the outermost along both long edges are untouched ground where the design ties in.

    ground : (chainages, offsets) levels. cell : side in metres. no_dig : same shape, True where nothing may be moved.
    """
    nx, ny = ground.shape
    index = np.arange(nx * ny).reshape(nx, ny)
    pairs = np.r_[np.c_[index[:-1].ravel(), index[1:].ravel()], np.c_[index[:, :-1].ravel(), index[:, 1:].ravel()]]
    movable = np.ones((nx, ny), bool)
    movable[:, [0, -1]] = False
    if no_dig is not None:
        movable &= ~no_dig
    x, y = np.meshgrid((np.arange(nx) + 0.5) * cell, ((ny - 1) / 2 - np.arange(ny)) * cell, indexing="ij")
    return Cells(
        ground.ravel(), cell * cell, pairs, np.full(len(pairs), cell), movable.ravel(), np.c_[x.ravel(), y.ravel()]
    )
