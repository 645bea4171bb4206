"""Names on the map of a batch."""

from __future__ import annotations

import itertools

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from geotools.cli.batch.site_labels import label_sites


def drawn(sites):
    figure = Figure(figsize=(10, 6), layout="constrained")
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    ax.plot([0, 10_000], [0, 6_000])
    ax.set_aspect("equal")
    label_sites(ax, sites)
    figure.draw_without_rendering()
    return {name.get_text(): Text.get_window_extent(name) for name in ax.texts}, figure.bbox


@pytest.mark.parametrize("apart_m", [0.0, 5.0, 60.0, 400.0])
def test_names_of_sites_that_lie_close_stand_clear_of_one_another(apart_m):
    sites = {
        f"Depot north {k}": (5_000 + apart_m * k, 3_000, 5_020 + apart_m * k, 3_020 + apart_m * (k % 2))
        for k in range(8)
    }
    boxes, page = drawn(sites)
    assert set(boxes) == set(sites)
    for (one, a), (other, b) in itertools.combinations(boxes.items(), 2):
        assert not a.overlaps(b), f"{one} over {other}"
    assert all(
        page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1 for box in boxes.values()
    )


def test_a_site_by_itself_has_its_name_above_it():
    boxes, _ = drawn({"Alone": (2_000, 2_000, 2_400, 2_300), "Far": (8_000, 4_000, 8_100, 4_100)})
    low, high = sorted(boxes.values(), key=lambda box: box.y0)
    assert low.y0 < high.y0 and boxes["Far"] is high
