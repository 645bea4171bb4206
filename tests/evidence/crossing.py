"""The weakest crossing against an independent package."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from geotools.detection.ways import build_graph, shortest_way, worst_from
from tests.evidence.page import Section


def crossing(folder: Path) -> Section:
    from skimage.graph import MCP_Geometric
    from skimage.morphology import reconstruction

    section = Section("The weakest crossing")
    section.say(
        "Bottleneck values on random corridors of 400 x 17 nodes against grey-scale reconstruction by erosion; the "
        "drawn way against the shortest of a minimum-cost-path search over the nodes that the bottleneck leaves open."
    )
    apart = longer = 0.0
    for seed in range(5):
        cost = np.random.default_rng(seed).random((400, 17)) ** 2
        graph = build_graph([cost.shape], [])
        number = np.arange(cost.size).reshape(cost.shape)
        both = []
        for column in (0, -1):
            ours = worst_from(graph, cost.ravel(), number[:, column]).reshape(cost.shape)
            start = np.full_like(cost, cost.max())
            start[:, column] = cost[:, column]
            theirs = reconstruction(start, cost, method="erosion", footprint=np.ones((3, 3)))
            apart = max(apart, float(np.abs(ours - theirs).max()))
            both.append(ours)
        through = np.maximum(*both)
        row = int(through[:, 8].argmin())
        open_nodes = cost <= through[row, 8] + 1e-9
        y, x = (part.ravel().astype(float) for part in np.mgrid[:400, :17])
        length = 0.0
        for edge in (0, 16):
            way = shortest_way(graph, x, y, open_nodes.ravel(), int(number[row, 8]), x == edge)
            length += float(np.hypot(np.diff(x[way]), np.diff(y[way])).sum())
        field = np.where(open_nodes, 1.0, -1.0)
        shortest = 0.0
        for column in (0, 16):
            costs, _ = MCP_Geometric(field, fully_connected=True).find_costs([(row, 8)])
            shortest += float(costs[:, column].min())
        longer = max(longer, length - shortest)
    section.check("bottleneck values", apart, 1e-9, "", "skimage.morphology.reconstruction")
    section.check("drawn way longer than the shortest by", longer, 1e-3, "nodes", "skimage.graph.MCP_Geometric")
    return section
