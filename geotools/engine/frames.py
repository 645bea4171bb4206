"""Layers that a caller hands in as frames: what declares them, whether they fit, whether they were edited."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pandas as pd
from geopandas import GeoDataFrame
from pyproj import CRS

from geotools.engine.step import discover
from geotools.errors import InputError, StepError
from geotools.plan.conform import conform
from geotools.plan.schema import LAYERS, LayerSchema

if TYPE_CHECKING:
    Frame: TypeAlias = GeoDataFrame | pd.DataFrame

__all__ = ["fitting", "same", "schema_of"]


def schema_of(name: str) -> LayerSchema | None:
    """The declaration of a layer, those of other distributions' steps included; None where nothing declares it."""
    if name in LAYERS:
        return LAYERS[name]
    outputs = (out.schema for step in discover().values() for out in step.outputs)
    return next((schema for schema in outputs if schema.name == name), None)


def fitting(schema: LayerSchema, frame: Any, work_crs: CRS) -> Frame:
    """A frame as the plan stores it: declared fields alone, in metres; InputError where it does not fit."""
    where = f"layer {schema.name}"
    wanted = pd.DataFrame if schema.geometry is None else GeoDataFrame
    if not isinstance(frame, wanted):
        raise InputError(
            "a layer is no frame", where=where, found=type(frame).__name__, expected=f"a {wanted.__name__}"
        )
    fields = [name for name in schema.field_names if name in frame.columns]
    try:
        if not isinstance(frame, GeoDataFrame) or schema.geometry is None:
            return conform(pd.DataFrame(frame[fields]), schema)
        if frame.crs is None:
            raise InputError("a layer names no coordinate system", where=where, expected=work_crs.name)
        shapes = frame.geometry.to_crs(work_crs)
        return conform(GeoDataFrame(pd.DataFrame(frame[fields]), geometry=shapes, crs=shapes.crs), schema)
    except StepError as problem:
        raise InputError(
            "a layer that was handed in does not fit its declaration",
            where=problem.where or where,
            found=f"{problem.what}: {problem.found}" if problem.found else problem.what,
            expected=problem.expected,
            mend=f"start from plan.{schema.name} and change values or rows alone",
        ) from problem


def same(one: Frame, other: Frame) -> bool:
    """Whether two frames hold the same values and geometry, bit by bit."""
    if list(one.columns) != list(other.columns) or len(one) != len(other):
        return False
    left, right = pd.DataFrame(one).reset_index(drop=True), pd.DataFrame(other).reset_index(drop=True)
    if isinstance(one, GeoDataFrame) and isinstance(other, GeoDataFrame):
        if one.crs != other.crs or not np.array_equal(one.geometry.to_wkb(), other.geometry.to_wkb()):
            return False
        left, right = left.drop(columns=one.geometry.name), right.drop(columns=other.geometry.name)
    return left.equals(right)
