"""Heads as a person left them: taken as they are, or refused with their name."""

from __future__ import annotations

import pytest
from shapely import LineString, Point

from geotools.beam import HEAD_TYPES
from geotools.errors import InputError
from geotools.steps.layout.kept import kept_zones
from geotools.steps.layout.usable import courses

FENCE = LineString([(0, 0), (200, 0), (200, 100), (0, 100), (0, 0)])
(COURSE,) = courses({"F01": FENCE}, side="inside", setback_m=4, clear_m=10)
KINDS = {"10 GHz": HEAD_TYPES["10 GHz"]}


def head(zone, role, x, y, **changes):
    short = "TX" if role == "transmitter" else "RX"
    row = {
        "head_id": f"{zone}-{short}-main",
        "zone_id": zone,
        "role": role,
        "level": "main",
        "head_type": "10 GHz",
        "height_m": 0.91,
        "polarisation": "vertical",
        "channel": 2,
        "geometry": Point(x, y, 101.0),
    }
    return row | changes


def zone(name, tx, rx):
    return [head(name, "transmitter", *tx), head(name, "receiver", *rx)]


def keep(rows, **given):
    settings = {"fence_of": {}, "number_of": {}, "kinds": KINDS, "level_at": lambda x, y: 100.0 + x / 100}
    return kept_zones(rows, [COURSE], **settings | given)["F01"]


THREE = zone("F01-Z001", (2, 4), (100, 4)) + zone("F01-Z002", (198, 4), (92, 4)) + zone("F01-Z003", (196, 98), (196, 2))


def test_order_and_direction_come_from_where_the_heads_stand():
    zones = keep(list(reversed(THREE)))
    assert [z.zone_id for z in zones] == ["F01-Z001", "F01-Z002", "F01-Z003"]
    # the second zone sends against the way of the fence, the third too
    assert [z.forward for z in zones] == [True, False, False]
    assert [z.number for z in zones] == [1, 2, 3]


def test_place_height_and_channel_are_kept_and_the_level_is_that_of_the_ground():
    rows = zone("F01-Z001", (2, 4), (100, 4))
    rows[1] |= {"geometry": Point(103.25, 5.5, 77.0), "height_m": 0.75}
    (found,) = keep(rows)
    moved = found.on_post(False)[0]
    assert (moved.x, moved.y, moved.height_m, moved.channel) == (103.25, 5.5, 0.75, 2)
    assert moved.ground_m == pytest.approx(101.0325)
    assert moved.z == pytest.approx(101.7825)


def test_zone_over_the_seam_is_in_its_place():
    zones = keep([*THREE, *zone("F01-Z004", (4, 30), (4, 100)), *zone("F01-Z005", (4, -2), (4, 36))])
    assert [z.zone_id for z in zones][-2:] == ["F01-Z004", "F01-Z005"]


def test_numbers_already_given_stay():
    zones = keep(THREE, number_of={"F01-Z002": 7})
    assert [z.number for z in zones] == [1, 7, 2]


def test_a_first_zone_moved_over_the_seam_stays_first():
    moved = zone("F01-Z001", (4, 60), (30, 4))  # its middle lies before the start of the line now
    numbers = {"F01-Z001": 1, "F01-Z002": 2, "F01-Z003": 3}
    rows = [*THREE[2:], *moved]
    assert [z.zone_id for z in keep(rows, number_of=numbers)] == ["F01-Z001", "F01-Z002", "F01-Z003"]
    # where none is known, the line's own start decides
    assert [z.zone_id for z in keep(rows)] == ["F01-Z002", "F01-Z003", "F01-Z001"]


def test_heads_of_one_height_keep_their_order_whatever_the_order_of_the_rows():
    rows = [
        head("F01-Z001", role, x, 4, level=level, head_id=f"{level}-{role}")
        for level in ("b", "a", "c")
        for role, x in (("transmitter", 2), ("receiver", 100))
    ]
    orders = [[pair.level for pair in keep(given)[0].pairs] for given in (rows, list(reversed(rows)))]
    assert orders == [["a", "b", "c"], ["a", "b", "c"]]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: rows[:-1], "one transmitter and one receiver"),
        (lambda rows: [*rows, rows[0]], "two heads have one name"),
        (lambda rows: [rows[0] | {"head_type": "99 GHz"}, *rows[1:]], "unknown type"),
        (lambda rows: [rows[0] | {"height_m": None}, *rows[1:]], "height"),
        (lambda rows: [rows[0], rows[1] | {"geometry": rows[0]["geometry"]}, *rows[2:]], "on one place"),
        (lambda rows: [], "no heads"),
    ],
)
def test_what_cannot_be_is_refused_and_named(change, words):
    with pytest.raises(InputError, match=words) as problem:
        keep(change(list(THREE)))
    assert "layer heads" in str(problem.value)
