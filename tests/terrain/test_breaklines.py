"""Breaklines are edges of the triangles: where plain ones cut across them, at sharp angles, and where lines meet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS
from scipy.spatial import Delaunay

from geotools.errors import InputError, NumericInputError
from geotools.terrain import breaklines
from geotools.terrain.breaklines import Conforming, conforming, network
from geotools.terrain.dtm import grid_survey
from geotools.terrain.model import Terrain
from geotools.terrain.points import Survey
from geotools.terrain.tin import interpolate

UTM = CRS("EPSG:32632")
ORIGIN = np.array([500_000.0, 5_400_000.0, 0.0])
NOTHING = np.empty((0, 3))


def split(lines: list, points: np.ndarray = NOTHING, longest: float = 1e3) -> Conforming:
    net = network([np.asarray(line, dtype=float) for line in lines], 0.001)
    return conforming(net, points, longest=longest, shortest=0.00025, tolerance=0.001)


def not_edges(made: Conforming, points: np.ndarray, part: np.ndarray | None = None) -> int:
    """How many pieces scipy's own triangulation does not have, of all points or of those in a part of the plane."""
    everything = np.vstack([made.vertices, points[made.apart]])[:, :2]
    chosen = np.arange(len(everything)) if part is None else np.flatnonzero(part(everything))
    corners = chosen[Delaunay(everything[chosen] - everything.mean(axis=0)).simplices]
    edges = {frozenset(pair) for pair in np.vstack([corners[:, [i, j]] for i, j in ((0, 1), (1, 2), (0, 2))]).tolist()}
    whole = np.isin(made.pieces, chosen).all(axis=1)
    assert whole.any()
    return sum(frozenset(piece) not in edges for piece in made.pieces[whole].tolist())


def heights(made: Conforming, points: np.ndarray, places: np.ndarray) -> np.ndarray:
    ground = np.vstack([made.vertices, points[made.apart]])
    return interpolate(ground, places[:, 0], places[:, 1], np.inf)[0]


def test_a_ridge_that_plain_triangles_cut_across():
    """Two points beside the middle of a long ridge: the empty-circle rule joins them across it (Delaunay, 1934)."""
    ridge = np.array([[-3, 0, 1], [3, 0, 1.0]])
    beside = np.array([[0, 0.5, 0], [0, -0.5, 0.0]])
    middle = np.array([[0.0, 0.0], [0.4, 0.0], [-2.9, 0.0]])
    plain = interpolate(np.vstack([ridge, beside]), middle[:, 0], middle[:, 1], np.inf)[0]
    assert plain[0] == pytest.approx(0.0)  # the ridge is gone: the wrong ground that this is about
    made = split([ridge], beside)
    assert heights(made, beside, middle) == pytest.approx([1.0, 1.0, 1.0], abs=1e-12)
    assert not_edges(made, beside) == 0


@pytest.mark.parametrize("seed", range(6))
def test_every_piece_is_an_edge_and_its_heights_are_the_lines_own(seed):
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.uniform(0, 50, (1500, 2)), rng.uniform(0, 1, 1500)]) + ORIGIN
    # none of these cross: each in a strip of its own, bent, with heights of its own
    lines = []
    for k in range(6):
        x = np.sort(rng.uniform(0, 50, 7))
        lines.append(np.column_stack([x, 8 * k + rng.uniform(0, 7, 7), rng.uniform(0, 3, 7)]) + ORIGIN)
    made = split(lines, points, longest=20.0)
    assert len(made.pieces) > 36 and len(made.stubborn) == 0
    assert not_edges(made, points) == 0
    # what a tile sees of it has the same edges
    assert not_edges(made, points, lambda xy: (np.abs(xy - ORIGIN[:2] - 25) < 15).all(axis=1)) == 0
    for line in lines:
        share = rng.uniform(0, 1, 40)[:, None]
        along = np.concatenate([line[i] + share * (line[i + 1] - line[i]) for i in range(len(line) - 1)])
        assert heights(made, points, along) == pytest.approx(along[:, 2], abs=1e-6)


def test_lines_at_sharp_angles_do_not_split_each_other_for_ever():
    angles = np.radians([0, 1, 3, 40, 41])
    lines = [[[0, 0, 0], [30 * np.cos(a), 30 * np.sin(a), 1 + a]] for a in angles]
    made = split(lines, np.array([[29.0, 0.2, 5.0], [3.0, 0.02, 5.0]]))
    assert len(made.stubborn) == 0 and len(made.pieces) < 200
    assert not_edges(made, np.array([[29.0, 0.2, 5.0], [3.0, 0.02, 5.0]])) == 0


def test_a_diagonal_of_a_lattice_is_an_edge():
    """The corners of a square lie on one circle: which diagonal is taken is anybody's choice, unless a line says."""
    lattice = np.array([[x, y, 0.0] for x in range(8) for y in range(8)])
    made = split([[[0, 0, 1], [7, 7, 1]], [[0, 7, 1], [7, 0, 1]]], lattice)
    assert not_edges(made, lattice) == 0
    places = np.column_stack([np.linspace(0, 7, 50), np.linspace(7, 0, 50)])
    assert heights(made, lattice, places) == pytest.approx(np.ones(50), abs=1e-9)
    # the lattice's points upon the lines gave way to them, and say by how much they differed
    assert (~made.apart).sum() == 16 and made.off_m == pytest.approx(-np.ones(16))


@pytest.mark.parametrize(
    ("lines", "vertices", "pieces", "apart"),
    [
        ([[[0, 0, 1], [10, 0, 1]], [[5, -5, 2], [5, 5, 0]]], 5, 4, 0.0),  # across
        ([[[0, 0, 1], [10, 0, 1]], [[5, 0, 1.3], [5, 5, 0]]], 4, 3, 0.3),  # ends upon the other
        ([[[0, 0, 1], [10, 0, 1]], [[4, 0, 1], [15, 0, 1]]], 4, 3, 0.0),  # runs along it for a while
        ([[[0, 0, 1], [10, 0, 1]], [[10, 0, 1], [0, 0, 1]]], 2, 1, 0.0),  # is there twice
        ([[[0, 0, 1], [4, 0, 1], [4, 3, 1], [0, 0, 1.2]]], 3, 3, 0.2),  # closes at another height
        ([[[0, 0, 1], [5, 0, 1], [5, 0, 1.4], [9, 0, 1]]], 3, 2, 0.4),  # an upright face
        ([[[0, 0, 0], [9, 9, 0]], [[0, 9, 0], [9, 0, 0]], [[4.5, 0, 0], [4.5, 9, 0]]], 7, 6, 0.0),  # three through one
    ],
)
def test_lines_that_meet_share_a_vertex(lines, vertices, pieces, apart):
    net = network([np.asarray(line, dtype=float) for line in lines], 0.001)
    assert (len(net.vertices), len(net.pieces)) == (vertices, pieces)
    assert net.disagreement.max() == pytest.approx(apart, abs=1e-12)


def test_absurdly_long_lines_are_refused_before_they_are_split():
    with pytest.raises(NumericInputError, match="too long"):
        split([[[0, 0, 0], [1e9, 0, 0]]], longest=1.0)


def test_a_limit_ends_the_splitting(monkeypatch):
    monkeypatch.setattr(breaklines, "MAX_PIECES", 50)
    with pytest.raises(NumericInputError, match="close together"):
        split([[[0, 0, 0], [30, 0, 0]]], np.array([[x, 0.01, 0.0] for x in range(1, 30)]))


TURN = np.radians(30.0)
ALONG, ACROSS = np.array([np.cos(TURN), np.sin(TURN)]), np.array([-np.sin(TURN), np.cos(TURN)])
BOTTOM_M, TOP_M, DEPTH_M, LENGTH_M = 1.0, 3.0, 0.8, 60.0


def ditch() -> tuple[list[np.ndarray], np.ndarray]:
    """Shoulders and toes of a ditch, measured at its two ends alone, in flat ground with points all around."""
    lines = [
        np.array([[*(s * ALONG + o * ACROSS), 100.0 - (DEPTH_M if abs(o) < 1 else 0)] for s in (0.0, LENGTH_M)])
        + ORIGIN
        for o in (-TOP_M / 2, -BOTTOM_M / 2, BOTTOM_M / 2, TOP_M / 2)
    ]
    rng = np.random.default_rng(8)
    s, o = rng.uniform(-10, LENGTH_M + 10, 4000), rng.uniform(-15, 15, 4000)
    flat = np.abs(o) > TOP_M / 2 + 0.02
    points = np.column_stack([s[flat, None] * ALONG + o[flat, None] * ACROSS, np.full(flat.sum(), 100.0)]) + ORIGIN
    return lines, points


def test_the_volume_of_a_ditch_is_that_of_its_prism():
    """Mean width times depth times length; by midpoints of squares with edges on the breaks, exact where linear."""
    lines, points = ditch()
    step = 0.1
    s, o = np.meshgrid(np.arange(20, 40, step) + step / 2, np.arange(-2, 2, step) + step / 2)
    places = s.reshape(-1, 1) * ALONG + o.reshape(-1, 1) * ACROSS + ORIGIN[:2]
    volume = (BOTTOM_M + TOP_M) / 2 * DEPTH_M * 20.0

    made = split(lines, points, longest=1.0)
    found = (100.0 - heights(made, points, places)).sum() * step**2
    assert found == pytest.approx(volume, rel=1e-6)
    plain = interpolate(np.vstack([points, *lines]), places[:, 0], places[:, 1], np.inf)[0]
    assert (100.0 - plain).sum() * step**2 < 0.2 * volume  # without edges, the ditch is bridged over


def test_a_ditch_through_tiles_into_the_terrain_model(tmp_path: Path):
    lines, points = ditch()
    shots = (tmp_path / "shots.csv", Survey(UTM, iter([points])))
    drawn = (tmp_path / "lines.dxf", Survey(UTM, iter([]), lines))
    for path, _ in (shots, drawn):
        path.write_text("stands for the survey")
    made = grid_survey([shots, drawn], tmp_path / "dtm.tif", cell_m=0.1)
    assert made.edges > 200 and not any("breakline" in text for text in made.warnings)
    assert any("4 breaklines, 240.0 m" in note for note in made.notes)
    s, o = np.meshgrid(np.linspace(5, 55, 400), [-2.0, -1.0, -0.4, 0.0, 0.45, 0.75, 1.2, 1.8])
    places = s.reshape(-1, 1) * ALONG + o.reshape(-1, 1) * ACROSS + ORIGIN[:2]
    depth = np.clip((TOP_M / 2 - np.abs(o.ravel())) / ((TOP_M - BOTTOM_M) / 2), 0, 1) * DEPTH_M
    with Terrain(tmp_path / "dtm.tif", UTM) as terrain:
        # cells and bilinear interpolation round the breaks off by at most half a cell's rise of the slope, 0.8 in 1
        assert terrain.sample(places[:, 0], places[:, 1]) == pytest.approx(100 - depth, abs=0.04)


def crossing(by: float, tmp_path: Path):
    lines = [np.array([[0, 5, 10], [10, 5, 10.0]]), np.array([[5, 0, 10], [5, 10, 10 + 2 * by]])]
    corners = np.array([[x, y, 10.0] for x in (0, 10) for y in (0, 10)])
    path = tmp_path / "lines.dxf"
    path.write_text("stands for the survey")
    survey = Survey(UTM, iter([corners + ORIGIN]), [line + ORIGIN for line in lines])
    return grid_survey([(path, survey)], tmp_path / "dtm.tif", cell_m=0.5, reach_m=20.0)


def test_lines_that_cross_at_one_height_are_no_trouble(tmp_path):
    assert not any("cross" in text for text in crossing(0.0, tmp_path).warnings)


def test_lines_that_cross_at_nearly_one_height_are_told_with_the_place(tmp_path):
    (told,) = [text for text in crossing(0.1, tmp_path).warnings if "cross" in text]
    assert "0.10 m" in told and "500005.00, 5400005.00" in told and "mean" in told
    with Terrain(tmp_path / "dtm.tif", UTM) as terrain:
        assert terrain.sample(500_005.0, 5_400_005.0) == pytest.approx(10.05, abs=0.03)


def test_lines_that_pass_over_each_other_are_refused_with_the_place(tmp_path):
    with pytest.raises(InputError, match="different heights") as caught:
        crossing(0.8, tmp_path)
    assert "500005.00, 5400005.00" in str(caught.value) and "0.80 m" in str(caught.value)
    assert not (tmp_path / "dtm.tif").exists()


def test_a_measured_point_upon_a_line_that_differs_is_told(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("stands for the survey")
    points = np.array([[x, y, 10.0] for x in (0, 10) for y in (0, 10)] + [[5, 5, 10.4]]) + ORIGIN
    survey = Survey(UTM, iter([points]), [np.array([[0, 5, 10], [10, 5, 10.0]]) + ORIGIN])
    made = grid_survey([(path, survey)], tmp_path / "dtm.tif", cell_m=0.5, reach_m=20.0)
    assert any("1 points upon breaklines lie up to 0.40 m" in text for text in made.warnings)
    with Terrain(tmp_path / "dtm.tif", UTM) as terrain:
        assert terrain.sample(500_005.0, 5_400_005.0) == pytest.approx(10.0, abs=1e-4)
