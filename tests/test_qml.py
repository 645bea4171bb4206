"""The style that a desktop GIS reads carries names, units and choices too."""

from lxml import etree

from geotools.schema import HEADS, WALK_PLAN, Field, to_qml


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
