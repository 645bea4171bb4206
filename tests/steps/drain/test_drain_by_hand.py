"""Streams and ponds around a zone on planes and troughs, worked by hand.

Red when a stream is followed the wrong way or too far, or its fall, its catchment or a pond is off.
"""

import numpy as np
import pytest

from geotools.earthwork.water import contributing_area, flood, line_crossings, ponds
from geotools.steps.drain.kernel import Piece, _way, water_around

CELL = 0.5
R, C = np.mgrid[0:41, 0:61]
ALONG, SIDE = C * CELL, (20 - R) * CELL


def trough(slope=0.02, at=30):
    """A V-shaped valley that falls to the south, its bottom one column."""
    return 50.0 - slope * CELL * R + 0.1 * CELL * np.abs(C - at)


def around(level, length=30.0, **given):
    return water_around(
        Piece(level, ALONG, SIDE, length), cell=CELL, min_depth=0.02, **{"min_catchment": 40.0, **given}
    )


def test_a_stream_crosses_where_the_valley_lies_and_falls_as_it_does():
    found = around(trough(), reach=4.0)
    (one,) = found.crossings
    rows, columns = np.divmod(one.cells, 61)
    assert (columns == 30).all() and rows.tolist() == list(range(rows[0], rows[0] + 17)) and one.cells.size == 17
    assert one.chainage == 15.0 and one.fall == pytest.approx(0.02)
    # the step over the line starts from the last cell on its upper side
    middle = int(rows[8])
    assert middle in (19, 20) and one.catchment == pytest.approx(contributing_area(flood(trough()), 0.25)[middle, 30])
    assert found.ponds == [] and not found.cut_off
    # over a single metre as over many; of a way without length no fall is known
    short, none = (around(trough(), reach=reach).crossings[0] for reach in (0.5, 0.0))
    assert short.cells.size == 3 and short.fall == pytest.approx(0.02)
    assert none.cells.size == 1 and none.fall == 0.0
    assert around(trough(), min_catchment=one.catchment + 0.01).crossings == []
    assert len(around(trough(), min_catchment=one.catchment - 0.01).crossings) == 1
    assert around(trough(), length=14.9).crossings == [] and len(around(trough(), length=15.1).crossings) == 1
    long = around(trough(), reach=100.0).crossings[0]
    # down to the edge, where the water leaves; up to the divide, where nothing feeds it
    assert long.cells[-1] == 40 * 61 + 30 and set(one.cells.tolist()) < set(long.cells.tolist())


def test_a_way_goes_up_the_largest_feeder_and_down_to_the_edge():
    level = np.minimum(trough(at=30), trough(at=44) + 0.08)  # a lesser valley beside it
    flow = flood(level)
    area = contributing_area(flow, 0.25)
    way = _way(flow, area, 25 * 61 + 30, CELL, 3.0)
    rows, columns = np.divmod(way, 61)
    assert rows.tolist() == list(range(19, 32)) and (columns == 30).all()
    assert (np.diff(area.ravel()[way]) > 0).all() and (flow.receiver[way[:-1]] == way[1:]).all()
    assert _way(flow, area, 39 * 61 + 30, CELL, 3.0).size == 6 + 1 + 1
    # aslant it is followed as well, from either side
    for way, first in ((1, 10), (-1, 50)):
        slant = 50.0 - 0.05 * R + 0.2 * np.abs(C - first - way * R)
        flow = flood(slant)
        cells = _way(flow, contributing_area(flow, 0.25), 20 * 61 + first + way * 20, CELL, 2.0)
        assert [divmod(int(cell), 61) for cell in cells] == [(r, first + way * r) for r in range(16, 25)]
    # on a ridge nothing feeds a cell
    ridge = 10.0 - 0.1 * np.abs(C - 30) - 0.001 * R
    flow = flood(ridge)
    assert _way(flow, contributing_area(flow, 0.25), 0 * 61 + 30, CELL, 3.0)[0] == 30


def test_hollows_and_lines_by_hand():
    level = np.full((7, 9), 5.0)
    level[2:4, 2:4], level[5, 6] = (4.5, 4.97)
    found = ponds(level, flood(level), 2.0)
    assert [(p.area, p.depth, round(p.volume, 9), p.level) for p in found] == [
        (8.0, 0.5, 4.0, 5.0),
        (2.0, pytest.approx(0.03), pytest.approx(0.06), 5.0),
    ]
    assert len(ponds(level, flood(level), 2.0, min_depth=0.04)) == 1
    plane = 9.0 - np.arange(7)[:, None] - 0.0 * np.arange(9)
    flow = flood(plane)
    side = np.where(np.arange(9) < 7, 2.5 - np.arange(7)[:, None], np.nan)
    along = np.broadcast_to(10.0 - np.arange(9.0), (7, 9))
    area = contributing_area(flow, 1.0)
    cells = line_crossings(flow, area, side, along, min_area=2.0)
    inside = [c for c in cells if 1 <= c % 9 <= 5]
    assert [c // 9 for c in inside] == [2] * 5 and [c % 9 for c in inside] == [5, 4, 3, 2, 1]
    assert all(area.ravel()[c] >= 2.0 for c in cells) and not any(c % 9 >= 7 for c in cells)
    assert line_crossings(flow, area, side, along, min_area=2.01).size < cells.size


@pytest.mark.parametrize("column", [1, 2, 58, 59])
def test_a_stream_beside_either_post_crosses_its_zone(column):
    """Half a metre and a metre from the transmitter's post, as near to the receiver's, of a zone of 30 m."""
    (one,) = around(trough(at=column), min_catchment=5.0).crossings
    assert one.chainage == column * CELL


def test_a_way_on_a_plan_longer_than_wide_or_wider_than_long_is_followed_to_its_edges():
    for rows, columns in ((90, 9), (9, 90)):
        r, c = np.mgrid[0:rows, 0:columns]
        along, aside = (r, c) if rows > columns else (c, r)
        flow = flood(50.0 - 0.01 * along + 0.05 * np.abs(aside - 4))
        start = int(np.ravel_multi_index((70, 4) if rows > columns else (4, 70), (rows, columns)))
        way = _way(flow, contributing_area(flow, 0.25), start, CELL, 100.0)
        found = np.divmod(way, columns)[0 if rows > columns else 1]
        # along the divide at the upper end it may go aside
        assert found[found >= 3].tolist() == list(range(3, 90))
