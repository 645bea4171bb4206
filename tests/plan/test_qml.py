"""The style that a desktop GIS reads carries names, units and choices too."""

from itertools import combinations

import numpy as np
import pytest
from lxml import etree

from geotools.plan.schema import HEADS, LAYERS, WALK_PLAN, Field, Symbol, to_qml


def test_fields_get_headings_with_their_units():
    assert Field("chainage_m", "real", "x", "m").alias == "chainage (m)"
    assert Field("speed_m_s", "real", "x", "m/s").alias == "speed (m/s)"
    assert Field("head_id", "text", "x").alias == "head id"
    qml = etree.fromstring(to_qml(HEADS.style, HEADS.geometry, HEADS.fields))
    assert {a.get("field"): a.get("name") for a in qml.iter("alias")}["height_m"] == "height (m)"


def test_a_field_of_certain_words_offers_them():
    qml = etree.fromstring(to_qml(WALK_PLAN.style, WALK_PLAN.geometry, WALK_PLAN.fields))
    result = qml.xpath("//field[@name='result']/editWidget[@type='ValueMap']//Option[@type='QString']/@value")
    # a crossing walked again can be emptied again
    assert result == ["{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}", "detected", "missed"]
    assert qml.xpath("//field[@name='walked_on']/editWidget/@type") == ["DateTime"]
    assert [c.get("label") for c in qml.iter("category")][-1] == "Crossing, to be walked"


def grey(colour: str) -> float:
    """Relative luminance to perceived lightness, 0 to 100 (CIE 15, L* from Y; sRGB per IEC 61966-2-1)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def without_colour(symbol: Symbol, geometry: str) -> tuple[object, ...]:
    """What is left of a symbol in grey print, by the kind of geometry it draws."""
    if "Point" in geometry:
        return symbol.marker, symbol.size
    if "Line" in geometry:
        return symbol.dash, symbol.width
    return symbol.fill, symbol.dash, symbol.width


@pytest.mark.parametrize("layer", [x for x in LAYERS.values() if x.style and x.style.categories], ids=lambda x: x.name)
def test_a_legend_reads_in_grey_print(layer):
    for a, b in combinations(layer.style.categories, 2):
        one, two = a.symbol, b.symbol
        shape = without_colour(one, layer.geometry) != without_colour(two, layer.geometry)
        lightness = abs(grey(one.fill_colour or one.colour) - grey(two.fill_colour or two.colour))
        assert shape or lightness >= 10, f"{a.label} and {b.label} look alike in grey: {lightness:.1f}"


@pytest.mark.parametrize("name", sorted(LAYERS))
def test_every_word_a_layer_is_drawn_by_has_a_symbol(name):
    schema = LAYERS[name]
    drawn_by = [field for field in schema.fields if schema.style is not None and field.name == schema.style.field]
    for field in drawn_by:
        assert set(field.choices or ()) <= {category.value for category in schema.style.categories}


#: What the three kinds of colour blindness make of linear RGB, at full severity: Machado, Oliveira, Fernandes, "A
#: Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE TVCG 15(6), 2009 (table, from memory).
BLINDNESS = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def lab(linear: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (CIE 15) of linear sRGB under D65."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = to_xyz @ np.clip(linear, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def linear(colour: str) -> np.ndarray:
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def test_verdicts_are_told_by_their_colours_alone_in_grey_and_by_colour_blind_readers():
    colours = [c.symbol.colour for c in LAYERS["verdicts"].style.categories]
    assert len(set(colours)) == 4
    for a, b in combinations(colours, 2):
        assert abs(grey(a) - grey(b)) >= 15, f"{a} and {b} look alike in grey"
        for kind, matrix in BLINDNESS.items():
            apart = np.linalg.norm(lab(np.array(matrix) @ linear(a)) - lab(np.array(matrix) @ linear(b)))
            # a difference of 2.3 is just noticed side by side (Mahy et al. 1994, from memory); ten times that here
            assert apart >= 23, f"{a} and {b} look alike to {kind} readers: {apart:.0f}"
    # against white paper the palest still stands out, and what is worse is darker
    assert [round(grey(c)) for c in colours] == sorted((round(grey(c)) for c in colours), reverse=True)
    assert grey(colours[0]) <= 85
