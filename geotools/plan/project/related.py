"""The map's layers with what ties them: the posts beside the heads, and forms that lead from a head to its zone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pyproj import CRS

from geotools.plan.project.relations import POSTS, RELATIONS, posts_source
from geotools.plan.project.xml import MapLayer, Shown
from geotools.plan.schema import LayerSchema, to_qml

__all__ = ["own_style", "related"]

Groups = Sequence[tuple[str, Sequence[MapLayer]]]
#: The posts are drawn from 1:scale on, over the beams and under the heads.
_SCALE, _ORDER = 2_500, (3.5, 3.0, 0.0)


def own_style(schema: LayerSchema) -> str | None:
    """A layer's style as the toolkit has it; None of a table."""
    if schema.style is None or schema.geometry is None:
        return None
    return to_qml(schema.style, schema.geometry, schema.fields, schema.key)


def related(groups: Groups, crs: CRS) -> list[tuple[str, list[MapLayer]]]:
    """The groups with a layer of posts after that of heads, and with references where relations lead to a layer.

    Parameters
    ----------
    groups : sequence of (str, sequence of MapLayer)
        Headings with their layers.
    crs : CRS
        Of the map.
    """
    made = [(name, [part for layer in layers for part in (layer, *_posts(layer, crs))]) for name, layers in groups]
    there = {layer.schema.name for _, layers in made for layer in layers if layer.schema}
    return [(name, [_referring(layer, there) for layer in layers]) for name, layers in made]


def _posts(layer: MapLayer, crs: CRS) -> list[MapLayer]:
    schema = layer.schema
    if schema is None or schema.name != "heads" or not {"post_id", "zone_id"} <= set(schema.field_names):
        return []
    source = posts_source(layer.shown.id, crs)
    if source is None:
        return []
    shown = Shown("posts_of_heads", POSTS.title, source, False, _SCALE, _ORDER)
    return [MapLayer(shown, POSTS, own_style(POSTS), provider="virtual")]


def _referring(layer: MapLayer, there: set[str]) -> MapLayer:
    schema = layer.schema
    if schema is None:
        return layer
    leading = [r for r in RELATIONS if r.many == schema.name and r.one in there and r.field in schema.field_names]
    return replace(layer, references=tuple((relation.field, relation.id) for relation in leading))
