"""Places and pieces of a fence line beside one zone; red where every zone goes through the whole line."""

import numpy as np
import pytest
import shapely
from shapely import LineString, Point

from geotools.corridor import BeamLine, StripGrid
from geotools.detection import mover_places
from geotools.detection.mover_places import MoverPlaces, _left_of
from geotools.detection.near_line import LinePlaces, pieces_near

#: A border of 400 pieces of 25 m that winds about the x axis.
VERTICES = np.column_stack([25.0 * np.arange(401), 8.0 * np.sin(np.arange(401) / 3.0)])
BORDER = LineString(VERTICES)
GRID = StripGrid.over(BeamLine(5000.0, 12.0, 5080.0, 12.0), 20.0, 0.5)


def test_places_on_a_strip_are_those_of_the_whole_line_that_lie_there():
    every = shapely.get_coordinates(shapely.segmentize(BORDER, 0.5))
    inside = GRID.locate(*every.T)[2]
    assert 100 < inside.sum() < 300
    assert np.array_equal(np.column_stack(LinePlaces(BORDER, 0.5).on(GRID)), every[inside])
    assert np.column_stack(LinePlaces(Point(5001.0, 12.0).buffer(0.0).boundary, 0.5).on(GRID)).shape == (0, 2)


@pytest.mark.parametrize("seed", range(5))
def test_sides_and_distances_are_those_to_the_whole_line(seed):
    rng = np.random.default_rng(seed)
    middle = rng.uniform((0.0, -60.0), (10_000.0, 60.0))
    x, y = (middle + rng.uniform(-40.0, 40.0, (300, 2))).T
    near = pieces_near(BORDER, x, y)
    # the box is 80 m wide, the reach at most 68 m to the line and 57 m across: 330 m, 14 pieces and two cut
    assert 1 <= len(near) <= 16
    whole = shapely.distance(BORDER, shapely.points(x, y))
    assert np.array_equal(
        shapely.distance(shapely.multilinestrings(shapely.linestrings(near)), shapely.points(x, y)), whole
    )
    # by hand: the side of the nearest of all pieces, the first of equally near ones
    a, b = VERTICES[:-1], VERTICES[1:]
    places = np.column_stack([x, y])[:, None]
    share = np.clip(((places - a) * (b - a)).sum(-1) / ((b - a) ** 2).sum(-1), 0.0, 1.0)
    first = np.linalg.norm(places - a - share[..., None] * (b - a), axis=-1).argmin(axis=1)
    run, off = (b - a)[first], places[:, 0] - a[first]
    assert np.array_equal(_left_of(BORDER, x, y), run[:, 0] * off[:, 1] - run[:, 1] * off[:, 0] > 0.0)


def test_no_place_has_no_side_and_no_piece():
    none = np.zeros(0)
    assert _left_of(BORDER, none, none).shape == (0,) and len(pieces_near(BORDER, none, none)) == 0


class Watched:
    """A zone, and what is asked beside it."""

    fence_id, line = "F01", GRID.line


def test_the_edges_of_a_fence_are_made_once_for_all_zones(monkeypatch):
    made = []
    real = mover_places.LinePlaces
    monkeypatch.setattr(mover_places, "LinePlaces", lambda shape, every: made.append(shape) or real(shape, every))
    places = MoverPlaces({"F01": BORDER}, {"F01": False})
    kinds = [type("Kind", (), {"name": f"M{k}", "place": p, "width_m": w}) for k, (p, w) in enumerate(MOVERS)]
    found = [[(at, len(x)) for at, x, _, _ in places._places(Watched, GRID, kind)] for kind in kinds * 3]
    assert found[:4] == found[4:8] == found[8:]
    # on the fence, and round it 0.3 m and 1 m off; two of the four movers are equally wide
    assert len(made) == 3
    on_fence, narrow, _, wide = (counts[0][1] for counts in found[:4])
    assert 100 < on_fence < 300 and GRID.chainage_m.size * GRID.offset_m.size / 4 < wide < narrow


MOVERS = (("fence", 0.6), ("outside", 0.6), ("outside", 0.6), ("outside", 2.0))
