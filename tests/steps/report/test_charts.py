"""No label of a drawing is cut off or hidden, at any width."""

import dataclasses
import io
import itertools
from dataclasses import replace
from functools import partial

import matplotlib as mpl
import numpy as np
import pytest
from lxml import etree
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from PIL import Image

from geotools.steps.report.charts import (
    _FONT,
    NARROW,
    PAPER,
    WIDE,
    Dead,
    LongSections,
    ZoneSection,
    draw,
    long_section,
)
from geotools.steps.report.frame import marks
from geotools.steps.report.map import MapArt, plan_map

THREATS = ("walk", "crawl", "prone side-on", "bridge")


def section(length=98.0, zone="F12-Z034"):
    s = np.linspace(0, length, 197)
    ground = 2312.4 + 0.3 * np.sin(s / 11)
    gap = 0.2 + 0.4 * np.exp(-(((s - 60) / 5) ** 2))
    beams = [("low", 2312.8, 2312.5), ("main", 2313.4, 2313.1), ("top", 2314.9, 2314.7)]
    dead = [Dead(t, 0.55 * length, 0.66 * length) for t in THREATS]
    heights = {"crawl": 0.7, "prone side-on": 0.3}
    return ZoneSection(zone, s, ground, ground - 0.1, beams, {"crawl gap": gap}, heights, dead, THREATS)


def art(n=24):
    angle = np.linspace(0, 2 * np.pi, n + 1)
    ring = np.column_stack([512000 + 400 * np.cos(angle), 5404000 + 300 * np.sin(angle)])
    zones = [
        (f"F01-Z{i:03d}", np.array([a, b, b * 0.998 + ring.mean(0) * 0.002, a, a]))
        for i, (a, b) in enumerate(itertools.pairwise(ring))
    ]
    return MapArt([ring], zones, [(t, zones[3][1]) for t in THREATS], ring[::2], ring[1::2], THREATS)


def shown(figure):
    with mpl.rc_context(_FONT):
        figure.draw_without_rendering()
    renderer = FigureCanvasAgg(figure).get_renderer()
    for text in figure.findobj(Text):
        if text.get_text().strip() and text.get_visible():
            yield text, text.get_window_extent(renderer)


@pytest.mark.parametrize("width", [WIDE, NARROW, PAPER])
@pytest.mark.parametrize(
    "make", [lambda w: long_section(section(), w), lambda w: plan_map(art(), w)], ids=["section", "map"]
)
def test_no_label_leaves_the_drawing(make, width):
    with mpl.rc_context(_FONT):
        figure = make(width)
        boxes = list(shown(figure))
    page = figure.bbox
    assert len(boxes) > 5
    for text, box in boxes:
        inside = box.x0 >= page.x0 - 1 and box.x1 <= page.x1 + 1 and box.y0 >= page.y0 - 1 and box.y1 <= page.y1 + 1
        assert inside, f"{text.get_text()!r} at {box} leaves {page}"


@pytest.mark.parametrize("width", [WIDE, NARROW, PAPER])
@pytest.mark.parametrize("length", [98.0, 1000.0, 7.3])
def test_words_do_not_run_into_each_other(width, length):
    with mpl.rc_context(_FONT):
        boxes = [(t.get_text(), box) for t, box in shown(long_section(section(length), width))]
    assert len(boxes) > 15
    for (one, a), (two, b) in itertools.combinations(boxes, 2):
        assert not a.overlaps(b), f"{one!r} runs into {two!r}"


@pytest.mark.parametrize("low, high, most", [(0, 97.3, 10), (2312.4, 2313.1, 5), (-0.4, 0.3, 4), (99.7, 100.05, 5)])
def test_scales_have_round_marks_inside_the_limits(low, high, most):
    values, written = marks(low, high, most)
    assert 2 <= len(values) <= most + 1 and len(set(written)) == len(written)
    assert values.min() >= low - 1e-6 and values.max() <= high + 1e-6
    for value, word in zip(values, written, strict=True):
        assert float(word.replace("−", "-")) == pytest.approx(value, abs=1e-6)
    np.testing.assert_allclose(np.diff(values), values[1] - values[0])


def test_a_zone_is_drawn_alike_whichever_came_before():
    bare = dataclasses.replace(section(40.0), dead=(), floors={}, design=None)
    sheet = LongSections()
    after = [draw(partial(sheet.at, s), "", "") for s in (bare, section(), bare, section(60.0), section())]
    for picture, alone in zip(after, (bare, section(), bare, section(60.0), section()), strict=True):
        assert picture == draw(partial(LongSections().at, alone), "", "")


def test_three_cuts_that_are_pictures_and_the_same_every_time():
    one, two = (draw(lambda w: long_section(section(), w), "alt", "cap") for _ in range(2))
    assert one == two
    for svg, inches in ((one.wide_svg, WIDE), (one.narrow_svg, NARROW)):
        assert float(etree.fromstring(svg).get("width").removesuffix("pt")) == pytest.approx(72 * inches)
        assert b"<text" not in svg  # letters are drawn, so no machine's font can change or cut them
    assert Image.open(io.BytesIO(one.png)).width == pytest.approx(150 * PAPER, abs=2)


def test_dead_spots_differ_without_colour():
    # hatches, not hues, tell threats apart in grey print
    figure = long_section(section(), WIDE)
    hatches = [p.get_hatch() for p in figure.axes[0].patches if p.get_hatch()]
    assert len(set(hatches)) == len(THREATS)


def test_the_map_shows_each_verdict_along_the_fence_by_a_line_of_its_own():
    plain = art()
    names = ("detected", "unproven", "undetected", "no_beam")
    parts = np.array_split(plain.fences[0], 4)
    figure = plan_map(replace(plain, verdicts=list(zip(names, parts, strict=True))), 8.0)
    lines = {line.get_label(): line for line in figure.axes[0].lines if str(line.get_label()).startswith("fence: ")}
    assert list(lines) == [f"fence: {words}" for words in ("detected, 95 % confidence", *names[1:3], "no beam")]
    # told apart without colour too
    assert len({line.get_linewidth() for line in lines.values()}) == 4
    assert all(np.array_equal(line.get_xydata(), part) for line, part in zip(lines.values(), parts, strict=True))
