"""Reads a lidar file in a process of its own: `python -m geotools.terrain.unpack FILE CLASS...`, points to its output.

A damaged packed file can make the decoder ask for any amount of memory, or end the process it runs in. Here it may.
Each piece is written as its number of points (8 bytes) and x, y, z of the points (8 bytes each); last, the classes that
were met are reported as one line of words on the other output, after a line for each pair of flight lines that meet.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import laspy
import numpy as np

from geotools.terrain.flight_lines import FlightLines

MAX_MEMORY = 1_000_000_000
CHUNK = 500_000
STEP = "step: "


def pieces(path: Path, classes: list[int], met: Counter[int], lines: FlightLines) -> Iterator[np.ndarray]:
    """Ground points (n, 3) of a file, piece by piece; ``met`` counts the points of every class, ``lines`` gathers.

    Points marked as withheld are as good as deleted (ASPRS LAS specification 1.4 R15, table 10): they count nowhere.
    """
    with laspy.open(path, laz_backend=laspy.LazBackend.Lazrs) as reader:
        for points in reader.chunk_iterator(CHUNK):
            kinds = np.asarray(points.classification)
            valid = np.asarray(points.withheld) == 0
            met.update(dict(enumerate(np.bincount(kinds[valid]).tolist())))
            taken = np.isin(kinds, classes) & valid
            ground = np.column_stack([np.asarray(axis)[taken] for axis in (points.x, points.y, points.z)])
            lines.add(ground, np.asarray(points.point_source_id)[taken])
            yield ground


def main() -> None:
    """Entry point of the process."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MAX_MEMORY, MAX_MEMORY))
    except ImportError:
        pass  # no such limit on this system; the process still stands alone
    met: Counter[int] = Counter()
    lines = FlightLines()
    for piece in pieces(Path(sys.argv[1]), [int(word) for word in sys.argv[2:]], met, lines):
        sys.stdout.buffer.write(len(piece).to_bytes(8, "little"))
        sys.stdout.buffer.write(np.ascontiguousarray(piece, dtype="<f8").tobytes())
    for one in lines.steps():
        sys.stderr.write(f"{STEP}{json.dumps(asdict(one))}\n")
    found = ", ".join(f"{kind} ({count} points)" for kind, count in sorted(met.items()) if count)
    sys.stderr.write(f"classes: {found}\n")


if __name__ == "__main__":
    main()
