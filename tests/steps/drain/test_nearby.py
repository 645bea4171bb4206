"""What lies near a window or a pond, worked by hand; red when a whole site is gone through for each of them."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from rasterio import Affine
from shapely import LineString, Polygon

from geotools.steps.drain import rows
from geotools.steps.drain.nearby import LowHeads, Ways
from geotools.steps.drain.step import _summary


def beams(places, height_m=0.3):
    """A beam from each place to 50 m north of it, low heads at its ends."""
    names = [f"H{k}" for k in range(len(places))]
    return gpd.GeoDataFrame(
        {
            "tx_head_id": [f"{name}-TX" for name in names],
            "rx_head_id": [f"{name}-RX" for name in names],
            "tx_height_m": height_m,
            "rx_height_m": 0.9,
        },
        geometry=[LineString([(x, y), (x, y + 50.0)]) for x, y in places],
    )


def way(x, y, length=1.0):
    return np.array([[x, y, 10.0], [x, y + length, 9.9]])


def test_heads_within_three_metres_of_a_pond_are_splashed_by_name():
    heads = LowHeads(beams([(13.1, 5.0), (12.9, 5.0), (5.0, -2.0), (12.2, 12.2)]))
    pond = Polygon([(0, 0), (10, 0), (10, 10), (0, 10)])
    # 3.1 m and 2.9 m off its side, 2 m below it, and sqrt(2.2^2 + 2.2^2) = 3.11 m off its corner; the upper heads are
    # not low
    assert heads.splashed(pond) == ["H1-TX", "H2-TX"]
    assert LowHeads(beams([])).splashed(pond) == []
    assert LowHeads(beams([(5.0, 5.0)], height_m=0.41)).splashed(pond) == []


def test_a_pond_asks_the_heads_beside_it_alone():
    asked = []
    # 400 heads, one each 25 m along a line; the pond lies beside one of them
    heads = LowHeads(beams([(25.0 * k, 0.0) for k in range(400)]))
    heads.places = [SimpleNamespace(at=place) for place in heads.places]
    area = SimpleNamespace(
        bounds=(5000.0, 1.0, 5002.0, 2.0), distance=lambda one: asked.append(one.at) or one.at.x - 5000
    )
    assert heads.splashed(area) == ["H200-TX"]
    assert len(asked) == 1


# 20 by 10 cells of 0.5 m: x 100 to 110, y 195 to 200; ground two cells beside them is asked about as well
CORNER, SHAPE = Affine(0.5, 0.0, 100.0, 0.0, -0.5, 200.0), (10, 20)


def test_ways_that_touch_a_window_or_the_metre_beside_it_are_near():
    inside, across, below, aside = way(105, 197), way(105, 190, 20.0), way(105, 193), way(111, 197)
    off, far = way(112, 197), way(105, 205)
    ways = Ways([far, inside, off, across, aside, below])
    near = ways.near(CORNER, SHAPE)
    # across has both ends outside; aside and below end 1 m off; off is 2 m off
    assert [id(one) for one in near] == [id(one) for one in (inside, across, aside, below)]
    assert Ways([]).near(CORNER, SHAPE) == []


def window():
    level = np.full(SHAPE, 10.0)
    change = np.zeros(SHAPE)
    change[5, 10] = 0.2
    empty = np.zeros(SHAPE)
    return rows.Surroundings("Z1", CORNER, level, change, empty, empty, empty.astype(bool))


def crossing():
    """A stream down the column at x 105 to 105.5, over the raised cell."""
    return SimpleNamespace(cells=np.arange(2, 8) * SHAPE[1] + 10, chainage=5.0)


@pytest.mark.parametrize("built", [True, False])
def test_a_stream_is_dammed_where_no_way_is_built_and_far_ways_are_not_drawn(monkeypatch, built):
    drawn = []
    monkeypatch.setattr(rows, "LineString", lambda places: drawn.append(len(drawn)) or shapely.LineString(places))
    ways = Ways([way(1000.0 + 10.0 * k, 197.0) for k in range(300)] + [way(105.3, 196.0, 3.0)] * built)
    said = rows.dams(window(), SimpleNamespace(crossings=[crossing()]), ways)
    assert len(said) == (0 if built else 1)
    assert len(drawn) == 1 + built  # the stream, and the way beside it
    assert all("raises the bed of a stream by 0.20 m at chainage 5 m of Z1" in text for text in said)


def test_ponds_of_each_zone_are_gathered_once():
    looks = 0

    class Counted(dict):
        def __getitem__(self, name):
            nonlocal looks
            looks += name == "pond_id"
            return super().__getitem__(name)

    def pond(zone, state, volume):
        return Counted(pond_id=f"{zone}-P01-{state}", state=state, volume_m3=volume, depth_m=0.1 * volume, splash=None)

    zones = [f"P-P{k}" for k in range(50)]
    standing = [pond(zone, state, v) for zone in zones for state, v in (("now", 1.0), ("after", 1.0))]
    standing += [pond("P-P7", "after", 0.5), pond("P-P70", "after", 9.0)]
    told = []
    ctx = SimpleNamespace(say=lambda text: None, warn=told.append)
    figures = _summary(ctx, standing, [], zones)
    assert figures["after"] == {"ponds": 52, "volume_m3": 59.5, "flow_crossings": 0}
    # 1.0 m3 before, 1.5 after at P-P7; the pond of P-P70 is another zone's
    assert len(told) == 1 and "water stand at P-P7: 1.00 m3 now, 1.50 m3 after, 0.10 m deep" in told[0]
    assert looks <= len(standing)
