"""What the picture of a layout shows of its gates."""

from __future__ import annotations

from matplotlib.figure import Figure
from shapely import LineString, Polygon

from geotools.site.gates import Gate
from geotools.steps.layout.picture import _gates

SLIDING = Gate("gate 1", LineString([(10.0, 0.0), (16.0, 0.0)]), Polygon())
SWINGING = Gate("gate 2", LineString([(30.0, 0.0), (34.0, 0.0)]), Polygon([(30, 0), (34, 0), (30, 4)]))


def drawn(*gates):
    axes = Figure().add_subplot()
    labels = [one.get_label() for one in _gates(axes, gates)]
    return labels, [line.get_xydata().tolist() for line in axes.get_lines()]


def test_an_opening_and_the_ground_that_its_leaf_sweeps_are_drawn_and_named():
    """A gate in the fence was drawn as fence."""
    labels, lines = drawn(SLIDING, SWINGING)
    assert labels == ["gate", "swept by its leaf"]
    assert lines.count([[10.0, 0.0], [16.0, 0.0]]) == 2  # its jambs, and the gap between them
    assert [[30.0, 0.0], [34.0, 0.0], [30.0, 4.0], [30.0, 0.0]] in lines


def test_the_legend_names_only_what_is_there():
    assert drawn(SLIDING)[0] == ["gate"]
    assert drawn() == ([], [])
