"""A layer's frame held to its declaration: columns, types, keys, geometry, and texts that can be written."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
from shapely import force_2d, force_3d, get_type_id, has_z

from geotools.errors import InputError, StepError, unprintable
from geotools.plan.schema import LayerSchema

__all__ = ["conform", "refuse_unprintable"]

_PANDAS_TYPE = {
    kind: pd.api.types.pandas_dtype(name)
    for kind, name in (
        ("text", "object"),
        ("integer", "Int64"),
        ("real", "float64"),
        ("boolean", "boolean"),
        ("date", "datetime64[ms]"),
    )
}
_SHAPELY_ID = {"Point": 0, "LineString": 1, "Polygon": 3, "MultiPoint": 4, "MultiLineString": 5, "MultiPolygon": 6}


def conform(frame: gpd.GeoDataFrame | pd.DataFrame, schema: LayerSchema) -> gpd.GeoDataFrame | pd.DataFrame:
    """The frame with exactly the schema's columns, types and geometry; StepError names what is at fault."""
    where = f"layer {schema.name}"
    geometry = schema.geometry
    extra = [c for c in frame.columns if c not in schema.field_names and c != "geometry"]
    missing = [name for name in schema.field_names if name not in frame.columns]
    if extra or missing:
        raise StepError(
            "a layer has other fields than are declared",
            where=where,
            found=f"not declared: {extra}; missing: {missing}",
            expected=", ".join(schema.field_names),
            mend="a plan of another version of the toolkit, or with fields deleted: run the job into a new folder",
        )
    # the table alone, with rows counted anew: a frame with geometry makes every look at a field dear
    table = pd.DataFrame(frame)
    if not table.index.equals(pd.RangeIndex(len(table))):
        table = table.reset_index(drop=True)
    columns = {}
    for field in schema:
        values = table[field.name]
        try:
            wanted_type = _PANDAS_TYPE[field.type]
            columns[field.name] = values if values.dtype == wanted_type else values.astype(wanted_type)
        except (TypeError, ValueError) as problem:
            raise StepError(
                "a field holds values of another type",
                where=f"{where}, field {field.name}",
                found=problem,
                expected=field.type,
            ) from None
        column = columns[field.name]
        if not field.nullable and column.isna().any():
            raise StepError("a field that must be filled is empty", where=f"{where}, field {field.name}")
        if field.choices:
            strange = sorted({str(v) for v in column.dropna()} - set(field.choices))
            if strange:
                raise StepError(
                    "a field holds a value that is not declared",
                    where=f"{where}, field {field.name}",
                    found=strange,
                    expected=", ".join(field.choices),
                )
    if schema.key is not None and columns[schema.key].duplicated().any():
        twice = columns[schema.key][columns[schema.key].duplicated()].tolist()
        raise StepError("a key is not unique", where=f"{where}, field {schema.key}", found=twice[:5])
    data = pd.DataFrame(columns, columns=schema.field_names)
    if geometry is None:
        return data
    shapes = gpd.GeoSeries(frame.geometry.to_numpy())
    wanted = _SHAPELY_ID[geometry.removesuffix("Z")]
    kinds = set(get_type_id(shapes.to_numpy()).tolist()) - {wanted}
    if kinds or shapes.is_empty.any():
        raise StepError(
            "a layer holds geometry of another type, or none", where=where, found=sorted(kinds), expected=geometry
        )
    if geometry.endswith("Z"):
        if len(shapes) and not has_z(shapes.to_numpy()).all():
            raise StepError("a layer declared with heights has geometry without", where=where, expected=geometry)
        shapes = gpd.GeoSeries(force_3d(shapes.to_numpy()))
    else:
        shapes = gpd.GeoSeries(force_2d(shapes.to_numpy()))
    return gpd.GeoDataFrame(data, geometry=shapes, crs=getattr(frame, "crs", None))


def refuse_unprintable(frame: pd.DataFrame, schema: LayerSchema, plan: Path) -> None:
    """What was typed into a layer ends in documents, drawings and tables; none can hold a control character."""
    for field in schema:
        if field.type != "text" or field.name not in frame.columns:
            continue
        texts = [text for text in frame[field.name] if isinstance(text, str)]
        if unprintable("".join(texts)) is None:
            continue
        text = next(text for text in texts if unprintable(text) is not None)
        raise InputError(
            "a value of the plan holds a character that cannot be written",
            where=f"{plan}, layer {schema.name}, field {field.name}",
            found=f"{unprintable(text)} in {text[:80]!r}",
            expected="letters, digits, signs, spaces",
            mend="take it out, and type the value again",
        )
