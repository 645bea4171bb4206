"""How layers of the map belong together: zones have posts, posts have heads; forms lead from one to another.

Posts have no layer of their own in the plan: heads name theirs. The map has one, which the GIS makes of the layer heads
whenever it draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import quote
from xml.etree.ElementTree import Element, SubElement

from pyproj import CRS

from geotools.io.crs import epsg_code
from geotools.plan.schema import Field, LayerSchema, Style, Symbol
from geotools.plan.schema.style import BLACK, PALE

__all__ = ["POSTS", "RELATIONS", "Relation", "add_relations", "posts_source"]

POSTS = LayerSchema(
    name="posts",
    title="Posts",
    description="Posts with the heads that stand on them, as the layer heads has them.",
    geometry="Point",
    key="post_id",
    fields=(
        Field("post_id", "text", "post"),
        Field("zone_id", "text", "zone it ends"),
        Field("heads", "integer", "heads that stand on it"),
    ),
    style=Style(Symbol(BLACK, fill_colour=PALE, marker="circle", size=1.8), label_field="post_id", label_size=7.0),
)


@dataclass(frozen=True)
class Relation:
    """Rows of layer ``many`` belong to the row of layer ``one`` that has the same ``field``."""

    one: str
    many: str
    field: str
    title: str

    @property
    def id(self) -> str:
        """Identifier in the project."""
        return f"{self.one}_{self.many}"


RELATIONS = (
    Relation("zones", "posts", "zone_id", "Posts of the zone"),
    Relation("zones", "heads", "zone_id", "Heads of the zone"),
    Relation("zones", "beams", "zone_id", "Beams of the zone"),
    Relation("posts", "heads", "post_id", "Heads on the post"),
)


def posts_source(heads: str, crs: CRS) -> str | None:
    """Where the GIS finds the posts.

    Parameters
    ----------
    heads : str
        Identifier of the map's layer of heads.
    crs : CRS
        Of the map.

    Returns
    -------
    str or None
        None where the system has no number by which the GIS could know it.
    """
    code = epsg_code(crs, min_confidence=100)
    if code is None:
        return None
    query = (
        f'SELECT post_id, min(zone_id) AS zone_id, count(*) AS heads, geometry FROM "{heads}" '
        "WHERE post_id IS NOT NULL GROUP BY post_id"
    )
    return f"?layer_ref={heads}&query={quote(query, safe='')}&uid=post_id&geometry=geometry:Point:{code}"


def add_relations(root: Element, layers: Mapping[str, str]) -> None:
    """Write the relations of those layers that the map has; ``layers`` gives their identifiers by name."""
    node = SubElement(root, "relations")
    for relation in RELATIONS:
        if not {relation.one, relation.many} <= set(layers):
            continue
        said = {"id": relation.id, "name": relation.title, "strength": "Association"}
        ends = {"referencingLayer": layers[relation.many], "referencedLayer": layers[relation.one]}
        one = SubElement(node, "relation", {**said, **ends})
        SubElement(one, "fieldRef", {"referencingField": relation.field, "referencedField": relation.field})
