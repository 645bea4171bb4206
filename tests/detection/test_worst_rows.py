"""The worst verdict of all threats along a fence: the pieces themselves, and a cost that grows as the fence does."""

from itertools import pairwise

import numpy as np
import pytest
from shapely import LineString
from shapely.ops import substring

from geotools.detection.verdict_rows import EVERY_THREAT, worst_rows

RANK = {"no_beam": 0, "undetected": 1, "unproven": 2, "detected": 3}


class Counted(dict):
    """A row that counts how often its beginning is looked at."""

    looks = 0

    def __getitem__(self, name):
        Counted.looks += name == "from_m"
        return super().__getitem__(name)


def rows_of(pieces: int, seed: int = 3) -> list[Counted]:
    """Three threats along one winding fence of 4 m a piece, each cut elsewhere, with invented verdicts."""
    rng = np.random.default_rng(seed)
    fence = LineString(np.cumsum(rng.uniform(0.1, 3.0, (2 * pieces, 2)), axis=0) * [1.0, -1.0] + [5e5, 5.4e6])
    made = []
    for threat in ("walk", "crawl", "prone"):
        cuts = np.unique([0.0, *rng.uniform(0.0, fence.length, pieces - 1), fence.length]).tolist()
        for a, b in pairwise(cuts):
            made.append(
                Counted(
                    fence_id="F01",
                    threat=threat,
                    from_m=a,
                    to_m=b,
                    verdict=str(rng.choice(list(RANK))),
                    confidence=float(rng.uniform()) if rng.uniform() < 0.8 else None,
                    cause=None,
                    passes_lower=None,
                    geometry=substring(fence, a, b),
                )
            )
    return made


def test_every_piece_has_the_worst_of_the_rows_over_it_and_the_fence_between_its_ends():
    rows = rows_of(40)
    found = worst_rows(rows)
    assert found[0]["from_m"] == 0.0 and all(a["to_m"] == b["from_m"] for a, b in pairwise(found))
    whole = {
        threat: LineString(
            np.concatenate([np.array(row["geometry"].coords) for row in rows if row["threat"] == threat])
        )
        for threat in ("walk", "crawl", "prone")
    }
    # each piece between two cuts of any threat lies in one piece found, and has its verdict
    for a, b in pairwise(sorted({row[end] for row in rows for end in ("from_m", "to_m")})):
        here = [row for row in rows if row["from_m"] <= (a + b) / 2 < row["to_m"]]
        (one,) = [row for row in found if row["from_m"] <= a and b <= row["to_m"]]
        assert len(here) == 3 and RANK[one["verdict"]] == min(RANK[row["verdict"]] for row in here)
    for row in found:
        assert row["threat"] == EVERY_THREAT
        # all threats' rows run along the same fence, but with nodes of their own where they are cut
        wanted = [substring(line, row["from_m"], row["to_m"]) for line in whole.values()]
        assert any(row["geometry"].equals_exact(one, 0.0) for one in wanted)


@pytest.mark.parametrize("further", [2, 4])
def test_a_longer_fence_costs_as_much_a_piece(further):
    def looks(pieces):
        rows = rows_of(pieces)
        Counted.looks = 0
        worst_rows(rows)
        return Counted.looks

    assert looks(60 * further) < 1.3 * further * looks(60)
