"""Runs wild files of every kind under the same judge as damaged ones; part of `python -m tests.fuzz.run`."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable

import hypothesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fuzz import wild
from tests.fuzz.wild_rasters import RASTER
from tests.fuzz.wild_subjects import WILD_SUBJECTS
from tests.fuzz.wild_vectors import features

#: What each subject's file is replaced by.
FILES: dict[str, st.SearchStrategy[bytes]] = {
    "wild site file": wild.site_file(wild=True),
    "site file, legal values": wild.site_file(wild=False),
    "wild manifest, TOML": wild.MANIFEST,
    "wild manifest, CSV": wild.MANIFEST_TABLE,
    "wild fence": features("LineString"),
    "wild keep-outs": features("Polygon"),
    "wild gates": features("LineString"),
    "wild cameras": features(
        "Point",
        {"camera_id": wild.TEXT, "zone_id": wild.TEXT, "height_m": wild.NUMBER, "lens_mm": wild.NUMBER},
    ),
    "wild terrain": RASTER,
    "wild survey points": wild.POINTS_TABLE,
    "wild check points": wild.POINTS_TABLE,
    "wild walk-test results": wild.RESULTS,
    "wild levels as built": RASTER,
    "wild edits of the heads": wild.edits().map(lambda rows: json.dumps(rows).encode()),
}
assert set(FILES) == {s.name for s in WILD_SUBJECTS}


def each_case(name: str, cases: int, seed: int | None, tell: Callable[[dict[str, object]], None]) -> None:
    """Give ``tell`` this many cases of a kind, as the worker takes them; the same ones for the same seed.

    seed : None for those that stay the same whatever else is changed, for the ordinary tests.
    """

    @settings(
        max_examples=cases,
        database=None,
        deadline=None,
        derandomize=seed is None,
        phases=[Phase.generate],  # a fault is told with its file; the rest goes on
        suppress_health_check=list(HealthCheck),
    )
    @given(FILES[name])
    def case(content: bytes) -> None:
        tell({"subject": name, "content": base64.b64encode(content).decode("ascii")})

    (case if seed is None else hypothesis.seed(seed)(case))()
