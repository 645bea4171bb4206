"""The strip of a zone and the ground beside it in three dimensions, coarse enough for a page."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.corridor import BeamLine
from geotools.terrain.design import Ground

__all__ = ["relief_data"]

#: Ground shown to either side of the beam line, m, and places across it.
_BESIDE_M, _ACROSS = 8.0, 25
#: Places along the beam line at most, and how near to one another they are at least, m.
_ALONG, _STEP_M = 120, 0.5
#: Ground shown beyond the posts, m.
_BEYOND_M = 3.0


def relief_data(line: BeamLine, half_m: float, existing: Ground, proposed: Ground | None) -> dict[str, Any]:
    """Levels around a beam line as it stands and as proposed, cm above the lowest of them.

    Parameters
    ----------
    line : BeamLine
        Of the zone.
    half_m : float
        Half the width of its strip, m: its edges are among the places across.
    existing, proposed : Ground
        Grounds with levels; ``proposed`` None where nothing is proposed or it changes nothing here.

    Returns
    -------
    dict
        ``half`` m, ``along`` (n,) and ``across`` (k,) m, left positive; ``base`` m; ``ground`` and ``proposed`` (n, k)
        or None.
    """
    count = int(min(np.ceil((line.length + 2 * _BEYOND_M) / _STEP_M) + 1, _ALONG))
    along = np.linspace(-_BEYOND_M, line.length + _BEYOND_M, count)
    across = np.unique([*np.linspace(-_BESIDE_M, _BESIDE_M, _ACROSS), -half_m, half_m])
    x, y = line.to_map(*np.broadcast_arrays(along[:, None], across[None, :]))
    today = existing.sample(x, y)
    base = float(np.floor(np.nanmin(today)))
    moved = None if proposed is None else proposed.sample(x, y)
    if moved is not None and not np.nanmax(np.abs(moved - today), initial=0.0) > 0.005:
        moved = None
    return {
        "half": round(half_m, 2),
        "along": np.round(along, 2).tolist(),
        "across": np.round(across, 2).tolist(),
        "base": base,
        "ground": _centimetres(today, base),
        "proposed": None if moved is None else _centimetres(moved, base),
    }


def _centimetres(level: npt.NDArray[np.float64], base: float) -> list[list[int | None]]:
    """Whole centimetres above a base, None where the level is unknown."""
    return [[None if not np.isfinite(v) else round(100.0 * float(v - base)) for v in row] for row in level]
