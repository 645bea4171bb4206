"""Solving beams: time a beam of 100 m, many at once in single precision against one at a time in double precision.

`python -m tests.benchmarks.beam [BEAMS]`; goal: at most 8 ms a beam on one core at the default grid.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np

from geotools.beam import HEAD_TYPES, TARGETS, Beam, solve_beam, solve_beams


def _ground(x: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return sum(0.02 * np.sin(2 * np.pi * x / wave + rng.uniform(0, 6.28)) for wave in np.geomspace(8, 60, 8))


def main(count: int = 64) -> None:
    x = np.linspace(0.0, 100.0, 201)
    for name, height in (("10 GHz", 0.91), ("24 GHz", 0.30)):
        beams = [Beam(HEAD_TYPES[name], x, _ground(x, seed), height, height) for seed in range(count)]
        solve_beams(beams[:2])
        started = time.process_time()
        many = solve_beams(beams)
        batched = (time.process_time() - started) / count
        few = beams[: max(count // 4, 1)]
        started = time.process_time()
        plain = [solve_beam(b.head_type, x, b.ground_m, b.tx_height_m, b.rx_height_m) for b in few]
        alone = (time.process_time() - started) / len(few)
        apart = max(
            float(np.abs(a.modulation(t) - b.modulation(t)).max())
            for a, b in zip(many, plain, strict=False)
            for t in TARGETS.values()
        )
        print(
            f"{name} at {height} m: {1e3 * batched:.2f} ms a beam many at once, single precision; "
            f"{1e3 * alone:.2f} ms one at a time, double precision; ratio {alone / batched:.2f}; "
            f"modulation apart by {apart:.1e}"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
