"""Lengths of fence by verdict for which each zone answers, found for thousands of zones without going through all."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["ZoneLengths"]

#: Rows of the verdicts that hold the worst of all threats.
_ALL = "all"
#: Shorter overlaps are rounding, m.
_LEAST_M = 0.001


class ZoneLengths:
    """Stretches of the layer verdicts by zone and by fence line.

    Parameters
    ----------
    said : DataFrame
        The layer.
    """

    def __init__(self, said: pd.DataFrame) -> None:
        single = said[said["threat"] != _ALL]
        one = single[single["threat"] == single["threat"].iloc[0]]
        columns = (one[column].tolist() for column in ("zone_id", "fence_id", "from_m", "to_m"))
        self._held: dict[Any, list[tuple[Any, float, float]]] = {}
        for zone_id, *stretch in zip(*columns, strict=True):
            self._held.setdefault(zone_id, []).append((stretch[0], stretch[1], stretch[2]))
        every = said[said["threat"] == _ALL].reset_index(drop=True)
        self._ends = every[["from_m", "to_m"]].to_numpy(float)
        self._says = list(zip(every["verdict"], every["settle"], strict=True))
        #: By fence line the places of its rows, rising along it, and what bounds those that lie about a stretch.
        self._along: dict[Any, tuple[npt.NDArray[np.intp], npt.NDArray[np.float64], npt.NDArray[np.float64]]] = {}
        for fence_id, rows in every.groupby("fence_id").groups.items():
            places = np.asarray(rows, dtype=np.intp)
            places = places[np.argsort(self._ends[places, 0], kind="stable")]
            start, end = self._ends[places].T
            self._along[fence_id] = places, start, np.maximum.accumulate(end)

    def of(self, zone_id: str) -> tuple[dict[str, float], list[str]]:
        """Length by verdict, the worst of all threats, m, and what settles what is unproven.

        A stretch of all threats together may run over several zones: those of one threat end where a zone does.
        """
        overlaps: dict[int, list[float]] = {}
        for fence_id, start, end in self._held.get(zone_id, ()):
            if fence_id not in self._along:
                continue
            places, begins, ends = self._along[fence_id]
            about = slice(int(np.searchsorted(ends, start)), int(np.searchsorted(begins, end, side="right")))
            for place in places[about].tolist():
                from_m, to_m = self._ends[place]
                overlaps.setdefault(place, []).append(max(min(end, to_m) - max(start, from_m), 0.0))
        lengths: dict[str, float] = {}
        settle = set()
        for place in sorted(overlaps):
            length = float(np.sum(overlaps[place]))
            if length > _LEAST_M:
                verdict, settles = self._says[place]
                lengths[str(verdict)] = lengths.get(str(verdict), 0.0) + length
                if verdict == "unproven" and pd.notna(settles):
                    settle.add(str(settles))
        return {verdict: round(length, 1) for verdict, length in lengths.items()}, sorted(settle)
