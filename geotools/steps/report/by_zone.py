"""Rows of the plan's layers by zone, found once for all zones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["ZoneRows"]


class ZoneRows:
    """What layers hold of each zone: to look through every row for each of thousands of zones would take minutes.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Layers by name.
    names : iterable of str
        Those wanted, each with a field ``zone_id``; one that is not there is left out.
    """

    def __init__(self, frames: Mapping[str, pd.DataFrame], names: Iterable[str]) -> None:
        self._frames = {name: frames[name] for name in names if name in frames}
        self._places: dict[str, Mapping[Any, npt.NDArray[np.intp]]] = {
            name: frame.groupby("zone_id").indices for name, frame in self._frames.items()
        }

    def of(self, zone_id: str) -> dict[str, Any]:
        """Rows of one zone by layer, in the layer's order; empty frames where it has none."""
        return {name: frame.iloc[self._places[name].get(zone_id, [])] for name, frame in self._frames.items()}
