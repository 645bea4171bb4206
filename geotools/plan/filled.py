"""What people filled into a layer, carried over when the layer is made anew."""

from __future__ import annotations

from typing import TypeAlias

import geopandas as gpd
import pandas as pd

from geotools.plan.schema.core import LayerSchema

__all__ = ["filled_in"]

Frame: TypeAlias = gpd.GeoDataFrame | pd.DataFrame


def filled_in(made: Frame, held: Frame, schema: LayerSchema) -> Frame:
    """The new rows with what the old ones of the same key were filled in with.

    Parameters
    ----------
    made, held : GeoDataFrame or DataFrame
        Rows made anew, and those the plan holds; both as the schema has them.
    schema : LayerSchema
        Its fields ``by_hand`` are carried over where the new rows leave them empty.

    Returns
    -------
    GeoDataFrame or DataFrame
        With the rows at the end that were filled in and are not made any more: what was done stays on record.
    """
    key, fields = str(schema.key), [field.name for field in schema if field.by_hand]
    old = held[held[fields].notna().any(axis=1)]
    if old.empty:
        return made
    made = made.copy()
    by_key = old.set_index(key)
    for name in fields:
        made[name] = made[name].where(made[name].notna(), made[key].map(by_key[name])).astype(held[name].dtype)
    gone = old[~old[key].isin(made[key])]
    if gone.empty:
        return made
    both = pd.concat([made, gone[list(made.columns)]], ignore_index=True)
    return gpd.GeoDataFrame(both, geometry="geometry", crs=getattr(made, "crs", None)) if schema.geometry else both
