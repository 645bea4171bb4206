"""Vector files of any geometry with any attributes, built by hypothesis."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from hypothesis import strategies as st

from tests.fuzz.subjects import BOTTOM, LEFT, SQUARE
from tests.fuzz.wild import ANYTHING, EAST, NORTH, NUMBER, TEXT


def _position() -> st.SearchStrategy[list[Any]]:
    near = st.sampled_from([[LEFT + x, BOTTOM + y] for x, y in SQUARE])
    return st.one_of(
        near, near, st.tuples(EAST, NORTH).map(list), st.tuples(EAST, NORTH, NUMBER).map(list), st.lists(NUMBER)
    )


def _geometry() -> st.SearchStrategy[Any]:
    at = _position()
    lines = st.lists(at, max_size=6)
    rings = st.lists(lines.map(lambda ring: [*ring, *ring[:1]]), max_size=3)
    shapes = {
        "Point": at, "MultiPoint": lines, "LineString": lines, "MultiLineString": st.lists(lines, max_size=3),
        "Polygon": rings, "MultiPolygon": st.lists(rings, max_size=2),
    }  # fmt: skip
    plain = st.one_of(
        *(st.fixed_dictionaries({"type": st.just(k), "coordinates": v}) for k, v in shapes.items()),
        st.fixed_dictionaries({"type": TEXT, "coordinates": ANYTHING}),
        st.none(),
    )
    return st.one_of(
        shapes["LineString"].map(lambda c: {"type": "LineString", "coordinates": c}),
        plain,
        st.fixed_dictionaries({"type": st.just("GeometryCollection"), "geometries": st.lists(plain, max_size=2)}),
    )


_SYSTEM = st.one_of(
    st.sampled_from(("EPSG:32632", "EPSG:4326", "EPSG:4979", "EPSG:3857", "EPSG:2263", "EPSG:5773", "EPSG:0")), TEXT
).map(lambda name: {"type": "name", "properties": {"name": name}})


def _collection(features: list[Any], system: Any) -> bytes:
    data = {"type": "FeatureCollection", "features": features} | ({} if system is None else {"crs": system})
    return json.dumps(data, ensure_ascii=False).encode("utf-8", "surrogatepass")


def _sound(kind: str) -> st.SearchStrategy[Any]:
    """A geometry of the kind that is asked for, on the small site's ground."""
    place = st.tuples(st.floats(LEFT + 10, LEFT + 90), st.floats(BOTTOM + 10, BOTTOM + 90)).map(list)
    path = st.lists(place, min_size=2, max_size=5)
    ring = st.lists(place, min_size=3, max_size=5).map(lambda p: [[*p, p[0]]])
    shapes = {"Point": place, "LineString": st.one_of(path, ring.map(lambda rings: rings[0])), "Polygon": ring}
    return st.fixed_dictionaries({"type": st.just(kind), "coordinates": shapes[kind]})


def features(kind: str, fields: Mapping[str, st.SearchStrategy[Any]] | None = None) -> st.SearchStrategy[bytes]:
    """GeoJSON: of any geometry, or of the kind asked for; with any attribute names and values.

    fields : values of the attributes that are read, where they are not just anything.
    """
    known = fields or {}
    properties = st.one_of(
        st.fixed_dictionaries({}, optional=dict(known)),
        st.dictionaries(st.one_of(st.sampled_from(sorted(known)), TEXT) if known else TEXT, ANYTHING, max_size=4),
        st.none(),
    )

    def feature(geometry: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
        return st.fixed_dictionaries({"type": st.just("Feature"), "properties": properties, "geometry": geometry})

    usual = st.just({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}})
    return st.one_of(
        st.builds(_collection, st.lists(feature(_sound(kind)), min_size=1, max_size=3), usual),
        st.builds(
            _collection,
            st.lists(st.one_of(feature(_geometry()), feature(_sound(kind)), ANYTHING), max_size=4),
            st.one_of(usual, usual, _SYSTEM),
        ),
    )
