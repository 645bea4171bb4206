"""No other height is proposed for heads that are locked, by themselves or with their zone."""

from __future__ import annotations

import pandas as pd
import pytest

from geotools.plan.locks import locks_of
from geotools.steps.gaps.uncertainty import unlocked_heights

CLEAR = {"clear_tx_height_m": 0.8, "clear_rx_height_m": 0.8, "clear_level_db": -4.0}
ROWS = [
    {"beam_id": f"Z1-{level}", "zone_id": "Z1", "level": level, "in_null": True, **CLEAR} for level in ("low", "main")
]


def unlocked(rows, heads, zones):
    """By what the layers say is locked."""
    named = [{"head_id": f"{head['zone_id']}-TX-{head['level']}", **head} for head in heads]
    return unlocked_heights(rows, locks_of(pd.DataFrame(zones), pd.DataFrame(named)).fixed)


@pytest.mark.parametrize("locked", ["head", "all"])
def test_a_locked_head_keeps_its_pair_where_it_is(locked):
    heads = [{"zone_id": "Z1", "level": "low", "locked": None}, {"zone_id": "Z1", "level": "main", "locked": locked}]
    low, main = unlocked(ROWS, heads, [{"zone_id": "Z1", "locked": False}])
    assert low == ROWS[0]
    assert [main[name] for name in CLEAR] == [None, None, None] and main["in_null"]


def test_a_locked_zone_keeps_all_its_heads_where_they_are():
    heads = [{"zone_id": "Z1", "level": level, "locked": None} for level in ("low", "main")]
    found = unlocked(ROWS, heads, [{"zone_id": "Z1", "locked": True}])
    assert all(row[name] is None for row in found for name in CLEAR)


@pytest.mark.parametrize("locked", [None, "post", "channel"])
def test_a_post_or_channel_that_is_locked_leaves_the_height_free(locked):
    heads = [{"zone_id": "Z1", "level": "main", "locked": locked}]
    assert unlocked(ROWS, heads, [{"zone_id": "Z1", "locked": None}]) == ROWS
