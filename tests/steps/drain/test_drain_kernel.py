"""Water around one zone: a stream crosses with its catchment and fall; a dam across it ponds."""

import numpy as np
import pytest

from geotools.steps.drain.kernel import Piece, water_around

CELL = 0.5
Y, X = (axis * CELL for axis in np.mgrid[0:80, 0:120].astype(float))
SIDE, ALONG = 20.2 - Y, X - 5.0


def valley(fall: float = 0.02) -> np.ndarray:
    """A valley along x = 30 m that falls towards larger y (away to the right of the line)."""
    return 100 - fall * Y + 0.1 * np.abs(X - 30.0)


def around(level: np.ndarray, **more):
    return water_around(
        Piece(level, ALONG, SIDE, 50.0), **{"cell": CELL, "min_depth": 0.03, "min_catchment": 100.0, **more}
    )


def test_a_stream_crosses_where_its_valley_lies():
    water = around(valley())
    (crossing,) = water.crossings
    assert not water.ponds
    assert crossing.chainage == pytest.approx(25.0, abs=0.51)
    assert crossing.fall == pytest.approx(0.02, rel=0.02)
    rows = crossing.cells // X.shape[1]
    assert (np.diff(rows) > 0).all() and len(rows) * CELL == pytest.approx(16.0, abs=1.1)
    # all ground upstream of the line drains through it: half of 60 m x 20 m on either side of the valley
    assert 0.6 * 60 * 20 < crossing.catchment <= 60 * 20.5


def test_smaller_streams_are_left_out():
    assert not around(valley(), min_catchment=5000.0).crossings


def test_a_dam_holds_the_volume_of_the_wedge_behind_it():
    level = valley()
    level[40:46] = np.maximum(level[40:46], 100.0)  # fills the valley under the line to 100.0 m
    (pond,) = around(level).ponds
    assert pond.depth == pytest.approx(0.4, abs=0.02)
    # water stands to 100.0 m; behind the dam the depth is 0.02 y - 0.1 |x - 30|, so the section is depth^2 / 0.1
    wedge = 0.02**2 / 0.1 * 20.0**3 / 3
    assert pond.volume == pytest.approx(wedge, rel=0.1)


def test_a_pond_at_the_edge_of_the_ground_looked_at_is_told_to_be_cut_off():
    level = valley(fall=0.002)
    level[40:46] = np.maximum(level[40:46], 100.5)  # the water would reach far beyond the upper edge
    assert around(level).cut_off
    shallow = valley()
    shallow[40:46] = np.maximum(shallow[40:46], 100.0 - 0.02 * 18.0 + 0.1)
    assert around(shallow).ponds and not around(shallow).cut_off
