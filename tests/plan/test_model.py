"""Zones made of heads: what detection is asked about and what is drawn are one thing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import LineString

from geotools.beam import HEAD_TYPES
from geotools.corridor import BeamLine
from geotools.errors import InputError
from geotools.plan import ids
from geotools.plan.model import BeamPair, Head, Zone
from geotools.plan.zones import beam_rows, head_rows, zone_row, zones_of_heads

LOW, MAIN = HEAD_TYPES["24 GHz"], HEAD_TYPES["10 GHz"]
NAME = "F01-Z003"


def head(level: str, kind, height_m: float, *, at_start: bool, transmitter: bool, **changes) -> Head:
    name = ids.head_id(NAME, level, transmitter=transmitter)
    x, ground_m = (2.0, 101.0) if at_start else (82.0, 103.5)
    turned = "vertical" if level == "low" else "horizontal"
    return replace(Head(name, level, kind, at_start, transmitter, x, 4.0, ground_m, height_m, turned, 5), **changes)


#: Sends against the fence line: receivers stand on the post met first. No two heads have one height.
HEADS = (
    head("main", MAIN, 0.95, at_start=False, transmitter=True),
    head("main", MAIN, 0.85, at_start=True, transmitter=False),
    head("low", LOW, 0.32, at_start=False, transmitter=True),
    head("low", LOW, 0.27, at_start=True, transmitter=False),
)
ZONE = Zone.of_heads(NAME, HEADS, fence_id="F01", number=3)


def test_line_runs_from_the_transmitters_and_pairs_are_the_heads_lowest_first():
    assert ZONE.line == BeamLine(82.0, 4.0, 2.0, 4.0)
    assert ZONE.along_fence == BeamLine(2.0, 4.0, 82.0, 4.0)
    assert not ZONE.forward
    assert ZONE.pairs == (BeamPair("low", LOW, 0.32, 0.27), BeamPair("main", MAIN, 0.95, 0.85))


def test_heads_follow_when_a_level_is_set_or_added():
    lifted = ZONE.with_heights("low", 0.4, 0.5)
    assert lifted.pairs[0] == BeamPair("low", LOW, 0.4, 0.5)
    assert [(h.head_id, h.height_m) for h in lifted.on_post(True)] == [
        ("F01-Z003-RX-low", 0.5),
        ("F01-Z003-RX-main", 0.85),
    ]
    stacked = ZONE.with_pair(BeamPair("top", MAIN, 2.5, 2.4))
    assert [(h.head_id, h.height_m, h.ground_m) for h in stacked.on_post(False)][-1] == ("F01-Z003-TX-top", 2.5, 103.5)
    assert stacked.on_post(True)[-1].z == pytest.approx(103.4)
    # a channel is planned, not handed on
    assert stacked.on_post(True)[-1].channel is None


def test_rows_and_back():
    rows = head_rows(ZONE, ("F01-J002", "F01-J003"))
    posts = {row["head_id"]: (row["post_id"], row["junction_id"]) for row in rows}
    assert posts["F01-Z003-TX-low"] == ("F01-Z003-B", "F01-J003")
    assert posts["F01-Z003-RX-main"] == ("F01-Z003-A", "F01-J002")
    assert {row["head_type"]: row["band_ghz"] for row in rows} == {
        kind.name: pytest.approx(kind.frequency_hz / 1e9) for kind in (LOW, MAIN)
    }
    assert [row["beam_id"] for row in beam_rows(ZONE)] == ["F01-Z003-low", "F01-Z003-main"]
    area = zone_row(ZONE, LineString([(0, 0), (100, 0)]), 5.0)
    assert (area["start_role"], area["levels"], area["fence_from_m"]) == ("receiver", "low main", 2.0)
    (again,) = zones_of_heads(rows, HEAD_TYPES)
    assert replace(again, fence_id="F01", number=3, heads=()) == replace(ZONE, heads=())
    assert set(again.heads) == set(HEADS)


def test_a_head_without_a_partner_is_left_out_and_an_unknown_type_is_named():
    rows = head_rows(ZONE, (None, None))
    (zone,) = zones_of_heads([row for row in rows if row["head_id"] != "F01-Z003-TX-low"], HEAD_TYPES)
    assert [h.level for h in zone.heads] == ["main", "main"]
    with pytest.raises(InputError, match="type") as caught:
        zones_of_heads([row | {"head_type": "9 GHz"} for row in rows], HEAD_TYPES)
    assert "F01-Z003-TX-low" in str(caught.value)
    assert "9 GHz" in str(caught.value)


def test_names_say_where_to_look():
    assert ids.zone_id(ids.fence_id(1), 3) == NAME
    assert ids.post_id(NAME, True) == "F01-Z003-A"
    assert ids.on_first_post(ids.post_id(NAME, True))
    assert not ids.on_first_post(ids.post_id(NAME, False))
    assert ids.spot_id(NAME, "low crawl", 2) == "F01-Z003-low_crawl-02"
    assert ids.junction_id("F01", 12) == "F01-J012"
    assert ids.point_id(NAME, "G", 7, 3) == "F01-Z003-G007"
