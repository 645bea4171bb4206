"""A site's files made of what a Python program holds: frames, shapes and arrays."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pyogrio
import shapely

from geotools.errors import InputError
from geotools.io.files import is_remote, local_file
from geotools.io.private_folder import PrivateFolder
from geotools.io.raster import Raster

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

__all__ = ["place_inputs"]

#: What a fence, and what an obstacle or a gate, may be drawn as.
LINES = frozenset({"LineString", "MultiLineString"})
_VECTORS = "a GeoDataFrame, a GeoSeries, a shape or a list of shapes, or the path of a vector file"
_RASTERS = "the path of a raster, a Raster, or (array, transform, crs)"


def place_inputs(
    vectors: Mapping[str, Any], dtm: Any, given: Mapping[str, Any]
) -> tuple[dict[str, Any], PrivateFolder | None]:
    """The section ``[input]`` of a site, with files written for what is no file yet.

    Parameters
    ----------
    vectors : mapping
        ``fence``, ``keep_outs``, ``gates``: path, frame, series or shapes; None where there is none.
    dtm : path, Raster or tuple
        The ground's height.
    given : mapping
        Other settings of the section; ``fence_crs`` and its like place shapes that name no system.

    Returns
    -------
    dict, PrivateFolder or None
        The settings, and the folder that holds what was written, None where nothing was.
    """
    folder: PrivateFolder | None = None
    settings = dict(given)
    for name, value in vectors.items():
        if value is None:
            continue
        if isinstance(value, str | Path):
            settings[name] = _path(value, name)
            continue
        frame = _frame(value, name, given.get(f"{name}_crs"))
        folder = folder or PrivateFolder()
        settings[name] = f"{name}.fgb"
        # in the order given, and the same bytes for the same features
        pyogrio.write_dataframe(
            frame, folder.path / settings[name], driver="FlatGeobuf", geometry_type="Unknown", SPATIAL_INDEX="NO"
        )
    if isinstance(dtm, str | Path):
        settings["terrain"] = _path(dtm, "terrain raster")
    else:
        folder = folder or PrivateFolder()
        settings["terrain"] = "terrain.tif"
        _raster(dtm).to_file(folder.path / "terrain.tif")
    return settings, folder


def _path(value: str | Path, what: str) -> str:
    text = str(value)
    return text if is_remote(text) else str(local_file(value, f"{what} file").resolve())


def _raster(dtm: Any) -> Raster:
    if isinstance(dtm, Raster):
        return dtm
    if isinstance(dtm, tuple) and len(dtm) == 3:
        return Raster(*dtm)
    raise InputError("a terrain model is of no known kind", where="dtm", found=type(dtm).__name__, expected=_RASTERS)


def _frame(value: Any, name: str, crs: Any) -> GeoDataFrame:
    if isinstance(value, gpd.GeoDataFrame):
        frame = value.copy()
    elif isinstance(value, gpd.GeoSeries):
        frame = gpd.GeoDataFrame(geometry=value.reset_index(drop=True))
    else:
        shapes = [value] if isinstance(value, shapely.Geometry) else value
        if not isinstance(shapes, list | tuple) or not all(isinstance(s, shapely.Geometry) for s in shapes):
            raise InputError(f"{name} is of no known kind", where=name, found=type(value).__name__, expected=_VECTORS)
        frame = gpd.GeoDataFrame(geometry=list(shapes))
    frame = frame.reset_index(drop=True)
    if frame.crs is None and crs is None:
        raise InputError(
            f"{name} names no coordinate system",
            where=name,
            expected="a frame or series with a crs",
            mend=f'set it with .set_crs("EPSG:..."), or give input={{"{name}_crs": "EPSG:..."}}',
        )
    if frame.crs is None:
        frame = frame.set_crs(crs)
    if name == "fence":
        frame = frame[[frame.geometry.name]]
        _refuse_other_than_lines(frame)
    return frame


def _refuse_other_than_lines(frame: GeoDataFrame) -> None:
    if frame.empty:
        raise InputError("the fence has no lines", where="fence", found="no rows", expected="at least one line")
    for row, shape in enumerate(frame.geometry):
        found = "nothing" if shape is None else shape.geom_type
        if found not in LINES:
            raise InputError(
                "a part of the fence is not a line",
                where=f"fence, row {row}",
                found=found,
                expected="LineString or MultiLineString",
                mend="take the outline of an area with .boundary",
            )
