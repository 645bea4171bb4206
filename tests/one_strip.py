"""One strip by itself, asked by the engine: who gets over its beam line, and the exact least envelope on its way."""

from __future__ import annotations

from functools import cache

import numpy as np

from geotools.corridor import BeamLine, StripGrid
from geotools.detection.areas import areas_of, crossed
from geotools.detection.topology import Topology
from geotools.detection.ways import build_graph, worst_from


@cache
def topology_of(n, k):
    """The strip as a chain of its own; it keeps what it worked out."""
    grid = StripGrid(BeamLine(0.0, 0.0, n - 1.0, 0.0), np.arange(n, dtype=float), np.linspace(-(k // 2), k // 2, k))
    return Topology([grid], [True], closed=False)


def crossed_over(open_):
    """Stations (n,) of a strip alone that are crossed over open nodes (n, k)."""
    topology = topology_of(*open_.shape)
    return crossed(topology, [0], lambda place: areas_of(topology, place, open_), [0])[0]


def least_envelope(beam):
    """Smallest envelope of any way over the beam line at each station, one beam, exact on the nodes, (n,).

    For each lower bound of the levels the least upper bound that still joins both sides. Inside the strip as
    the chain of one strip has it: right of the line over nodes right of it, left over those left of it.
    """
    n, k = beam.lowest.shape
    middle = k // 2
    least = np.full(n, np.inf)
    sides = [
        (np.ascontiguousarray(low), np.ascontiguousarray(high))
        for low, high in (
            (beam.lowest[:, : middle + 1], beam.highest[:, : middle + 1]),
            (beam.lowest[:, middle:][:, ::-1], beam.highest[:, middle:][:, ::-1]),
        )
    ]
    graph = build_graph([(n, middle + 1)], [])
    edge = np.arange(n, dtype=np.intp) * (middle + 1)
    values = np.unique(np.append(beam.lowest, beam.quiet))
    for low in values[values <= beam.quiet][::-1]:
        upper = np.full(n, beam.quiet)
        for lowest, highest in sides:
            worst = worst_from(graph, highest.ravel(), edge, lowest.ravel() >= low)
            np.maximum(upper, worst.reshape(n, middle + 1)[:, -1], out=upper)
        np.minimum(least, upper - low, out=least)
    return least
