"""What a case opens that was not open before: counted once, whichever threat it is open for."""

from types import SimpleNamespace

import numpy as np

from geotools.detection.height_search import opened_m


def test_only_what_was_not_open_before_for_any_threat_counts():
    grid = SimpleNamespace(chainage_m=np.arange(5.0))
    now = {"crawl": np.array([True, False, False, False, False]), "prone": np.array([False, False, True, False, False])}
    perimeter = SimpleNamespace(grids={"A": grid, "B": grid}, dead=lambda zone_id: now)
    then = {"crawl": np.array([True, True, True, False, False]), "prone": np.array([False, True, False, False, True])}
    # the second node stands for a metre, the last for the half metre before the line's end; the rest was open already
    assert opened_m(perimeter, {"A": then}) == 1.5
    assert opened_m(perimeter, {"A": then, "B": then}) == 3.0
    assert opened_m(perimeter, {"A": now}) == 0.0
