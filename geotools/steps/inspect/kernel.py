"""What a terrain model of a given cell size and accuracy can and cannot show."""

from __future__ import annotations

import numpy as np

from geotools.corridor import Array
from geotools.terrain.oddities import HIGHEST_M, LOWEST_M

#: A prone person is about this long, and so is the shortest dip one can hide in (common practice, no source).
SHORTEST_DIP_M = 1.7


def coarse_cell_warning(cell_m: float, threat: str) -> str | None:
    """A sentence where cells are too coarse to show the shortest dip a person can hide in.

    A dip shorter than two cells is not resolved (the sampling theorem).
    """
    wanted = SHORTEST_DIP_M / 2.0
    if cell_m <= wanted:
        return None
    return (
        f"cells of {cell_m:.2f} m show no dip shorter than {2 * cell_m:.1f} m; against {threat}, dips from "
        f"{SHORTEST_DIP_M:.1f} m count, which needs cells of {wanted:.2f} m or finer"
    )


def coarse_accuracy_warning(accuracy_m: float | None, tolerance_m: float | None, threat: str) -> str | None:
    """A sentence where the stated vertical accuracy (95 %) is coarser than the ground tolerance the threat requires."""
    if tolerance_m is None:
        return None
    if accuracy_m is None:
        return (
            f"the vertical accuracy of the terrain is not stated; {threat} asks for {tolerance_m:.3f} m: "
            "set input.vertical_accuracy_m, or give survey.check_points"
        )
    if accuracy_m <= tolerance_m:
        return None
    return (
        f"the terrain is good to {accuracy_m:.3f} m (95 %), coarser than the {tolerance_m:.3f} m of ground that "
        f"{threat} asks for: dead spots near that size cannot be distinguished from survey error"
    )


def implausible_heights(heights_m: Array) -> tuple[float, float] | None:
    """Lowest and highest height where they cannot be ground on this earth, else None."""
    known = heights_m[np.isfinite(heights_m)]
    if known.size == 0:
        return None
    lowest, highest = float(known.min()), float(known.max())
    return (lowest, highest) if lowest < LOWEST_M or highest > HIGHEST_M else None


def first_unknown(chainage_m: Array, heights_m: Array) -> tuple[float, float] | None:
    """Chainage of the first unknown height and the length of ground unknown in all, None where all are known."""
    unknown = ~np.isfinite(heights_m)
    if not unknown.any():
        return None
    spacing = float(np.median(np.diff(chainage_m))) if len(chainage_m) > 1 else 0.0
    return float(chainage_m[unknown.argmax()]), float(unknown.sum() * spacing)


def longest_unknown(chainage_m: Array, heights_m: Array, *, closed: bool) -> tuple[float, float]:
    """Longest stretch of unknown heights, from and to along the line, m; on a closed line it may run over the seam.

    Parameters
    ----------
    chainage_m, heights_m : (n,) array
        Places evenly along the line, from its start to its end, and heights there, NaN where unknown.
    closed : bool
        Whether the last place is the first.

    Returns
    -------
    From and to, both 0 where all is known; to is less than from where the stretch runs over the seam.
    """
    unknown = ~np.isfinite(heights_m)
    edges = np.flatnonzero(np.diff(np.r_[False, unknown, False].astype(int)))
    parts = [(float(chainage_m[a]), float(chainage_m[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    total = float(chainage_m[-1])
    if closed and len(parts) > 1 and unknown[0] and unknown[-1]:
        parts = [*parts[1:-1], (parts[-1][0], parts[0][1])]
    return max(parts, key=lambda part: (part[1] - part[0]) % total or part[1] - part[0], default=(0.0, 0.0))
