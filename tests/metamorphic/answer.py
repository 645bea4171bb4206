"""The answer of the whole job on a site that was put down, and how far two answers lie apart."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import geotools
from geotools.engine.runner import run_site
from tests.metamorphic.placing import Placing, write_site

__all__ = ["Answer", "answer_of"]


@dataclass(frozen=True)
class Answer:
    """Lengths of zones, sorted, m; metres by (threat, verdict); dead metres by threat."""

    zones_m: tuple[float, ...]
    verdicts_m: dict[tuple[str, str], float]

    def same_zones(self, other: Answer) -> bool:
        """Whether both have the same zones, to 0.1 m of their lengths."""
        return len(self.zones_m) == len(other.zones_m) and np.allclose(self.zones_m, other.zones_m, atol=0.1)

    def apart_m(self, other: Answer, verdict: str) -> float:
        """Largest difference of the length that has this verdict, over all threats, m."""
        threats = {threat for threat, _ in (*self.verdicts_m, *other.verdicts_m)}
        return max(
            abs(self.verdicts_m.get((t, verdict), 0.0) - other.verdicts_m.get((t, verdict), 0.0)) for t in threats
        )

    @property
    def whole_m(self) -> float:
        """Length of the fence, m."""
        return sum(m for (threat, _), m in self.verdicts_m.items() if threat == "walk")


def answer_of(placing: Placing) -> Answer:
    """Inspect, lay out and look for gaps."""
    with tempfile.TemporaryDirectory(prefix="placed-") as root:
        site = geotools.open_site(write_site(Path(root), placing))
        run_site(site, Path(root) / "out", steps=["inspect", "layout", "gaps"])
        plan = geotools.open_plan(Path(root) / "out")
        zones, held = plan.zones, plan.verdicts
    metres = (held["to_m"] - held["from_m"]).groupby([held["threat"], held["verdict"]]).sum()
    return Answer(tuple(np.sort(zones["length_m"]).round(2).tolist()), {k: float(v) for k, v in metres.items()})
