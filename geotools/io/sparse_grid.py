"""A grid of which only the blocks that differ from one value are held: memory follows what was worked, not the site."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["SparseGrid"]

#: Side of a block, cells; a raster's tile, so that each is written once.
BLOCK = 256

Place = npt.ArrayLike | slice


class SparseGrid:
    """Values on rows and columns, `fill` wherever no block is held.

    Parameters
    ----------
    shape : rows and columns. fill : value of cells that nothing was put into. dtype : kind of number.
    """

    def __init__(self, shape: tuple[int, int], fill: float = 0.0, dtype: npt.DTypeLike = np.float32) -> None:
        self.shape = shape
        self.fill = fill
        self.dtype = np.dtype(dtype)
        self._blocks: dict[tuple[int, int], npt.NDArray[Any]] = {}

    def __getitem__(self, place: tuple[Place, Place]) -> npt.NDArray[Any]:
        """Values at rows and columns, given as whole numbers that broadcast or as two slices; `fill` off the grid."""
        if isinstance(place[0], slice) and isinstance(place[1], slice):
            return self._window(place[0], place[1])
        row, column = np.broadcast_arrays(np.asarray(place[0]), np.asarray(place[1]))
        found = np.full(row.shape, self.fill, self.dtype)
        for key, here in self._parts(row, column):
            block = self._blocks.get(key)
            if block is not None:
                found[here] = block[row[here] - key[0] * BLOCK, column[here] - key[1] * BLOCK]
        return found

    def __setitem__(self, place: tuple[npt.ArrayLike, npt.ArrayLike], values: npt.ArrayLike) -> None:
        """Put values at rows and columns, given as whole numbers that broadcast, all of them on the grid."""
        row, column, value = np.broadcast_arrays(np.asarray(place[0]), np.asarray(place[1]), np.asarray(values))
        if row.size and (
            row.min() < 0 or column.min() < 0 or row.max() >= self.shape[0] or column.max() >= self.shape[1]
        ):
            raise IndexError(
                f"rows {row.min()} to {row.max()}, columns {column.min()} to {column.max()} of {self.shape}"
            )
        for key, here in self._parts(row, column):
            block = self._blocks.get(key)
            if block is None:
                if (value[here] == self.fill).all():
                    continue
                block = self._blocks[key] = np.full((BLOCK, BLOCK), self.fill, self.dtype)
            block[row[here] - key[0] * BLOCK, column[here] - key[1] * BLOCK] = value[here]

    def _parts(
        self, row: npt.NDArray[np.intp], column: npt.NDArray[np.intp]
    ) -> Iterator[tuple[tuple[int, int], tuple[npt.NDArray[np.intp], ...]]]:
        """Block by block, which of the places lie in it."""
        r, c = row // BLOCK, column // BLOCK
        if not r.size:
            return
        if r.min() == r.max() and c.min() == c.max():
            yield (int(r.flat[0]), int(c.flat[0])), tuple(np.indices(row.shape)) if row.ndim else ()
            return
        wide = int(c.max()) + 2
        code = (r * wide + c).ravel()
        order = np.argsort(code, kind="stable")
        starts = np.flatnonzero(np.diff(code[order], prepend=code[order[0]] - 1))
        for first, last in zip(starts, [*starts[1:], len(order)], strict=True):
            here = np.unravel_index(order[first:last], row.shape)
            yield (int(r[here][0]), int(c[here][0])), here

    def _window(self, rows: slice, columns: slice) -> npt.NDArray[Any]:
        r0, r1, _ = rows.indices(self.shape[0])
        c0, c1, _ = columns.indices(self.shape[1])
        part = self.box(r0, max(r1, r0), c0, max(c1, c0))
        return np.full((max(r1 - r0, 0), max(c1 - c0, 0)), self.fill, self.dtype) if part is None else part

    def box(self, first: int, last: int, west: int, east: int) -> npt.NDArray[Any] | None:
        """Values from a first row and column to before a last, `fill` off the grid; None where no block lies in it."""
        part = None
        for (r, c), block in list(self._blocks.items()):
            top, left = r * BLOCK, c * BLOCK
            a, b = max(first, top), min(last, top + BLOCK, self.shape[0])
            d, e = max(west, left), min(east, left + BLOCK, self.shape[1])
            if a < b and d < e:
                if part is None:
                    part = np.full((last - first, east - west), self.fill, self.dtype)
                part[a - first : b - first, d - west : e - west] = block[a - top : b - top, d - left : e - left]
        return part

    def blocks(self) -> Iterator[tuple[int, int, npt.NDArray[Any]]]:
        """First row, first column and values of every block that is held, cut off at the grid's edge; a view."""
        for (r, c), block in sorted(self._blocks.items()):
            top, left = r * BLOCK, c * BLOCK
            yield top, left, block[: self.shape[0] - top, : self.shape[1] - left]

    def copy(self, box: tuple[int, int, int, int] | None = None) -> SparseGrid:
        """A grid of its own with the same values, at least within `box`, first row, last row, first, last column."""
        made = SparseGrid(self.shape, self.fill, self.dtype)
        for (r, c), block in list(self._blocks.items()):
            near = box is None or (
                r * BLOCK <= box[1] and (r + 1) * BLOCK > box[0] and c * BLOCK <= box[3] and (c + 1) * BLOCK > box[2]
            )
            if near:
                made._blocks[r, c] = block.copy()
        return made

    def any(self) -> bool:
        """Whether any value differs from zero."""
        return any(bool(block.any()) for _, _, block in self.blocks())

    def size_of(self) -> float:
        """Sum of the sizes of all values, signs left out; `fill` counted as nothing."""
        return float(sum(np.abs(block[block != self.fill], dtype=np.float64).sum() for _, _, block in self.blocks()))

    @property
    def nbytes(self) -> int:
        """Memory of the blocks held, bytes."""
        return sum(block.nbytes for block in list(self._blocks.values()))
