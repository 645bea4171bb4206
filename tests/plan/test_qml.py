"""The style that a desktop GIS reads carries names, units and choices too."""

from itertools import combinations

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
    assert result == ["detected", "missed"]
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
