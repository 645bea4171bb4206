"""Fence lines from any vector file GDAL reads, as lines with their coordinate system."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from fiona._err import CPLE_BaseError  # what the library lets through from GDAL has no public name
from fiona.errors import FionaError
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely import LineString, get_coordinates
from shapely.errors import ShapelyError
from shapely.geometry import shape

from geotools.errors import InputError, SiteError
from geotools.io.fence_shapes import closed_ring, fence_height, lines_of
from geotools.io.fence_texts import read_fence_text
from geotools.io.files import given_file, local_file, remote_allowed
from geotools.io.vector_kind import drivers_for

MAX_FENCE_FEATURES = 100_000
MAX_FENCE_VERTICES = 2_000_000
#: Nothing is fetched because a file says so.
SAFE_GDAL = {"CPL_VSIL_CURL_ALLOWED_FILENAME": "/vsicurl/none", "OGR_SQLITE_ALLOW_EXTERNAL_ACCESS": "NO"}


#: Everything a damaged vector file makes the libraries raise. (fiona 1.10 stumbles over its own variable where a
#: system's text is beyond GDAL, hence the last one.)
FENCE_TROUBLE = (
    FionaError,
    CPLE_BaseError,
    CRSError,
    ShapelyError,
    OSError,
    ValueError,
    RuntimeError,
    OverflowError,
    MemoryError,
    UnboundLocalError,
    SystemError,  # a name the library cannot decode
)


@dataclass(frozen=True)
class FenceLines:
    """Lines as read: geometry in the file's own system, the feature each came from, and what was said on the way."""

    lines: list[LineString]
    features: list[int]
    crs: CRS
    layer: str
    notes: list[str]
    #: What the features' field height_m says, one a line, m; None where there is no such field or it is empty.
    heights_m: list[float | None]
    #: Vertices that have a level, (n, 3), in the file's own system and unit; none where all are at 0, as drawn.
    levels: npt.NDArray[np.float64]


def crs_from(text: str, where: str) -> CRS:
    """A coordinate system from what the user wrote; SiteError where PROJ does not know it."""
    try:
        return CRS.from_user_input(text)
    except CRSError as problem:
        raise SiteError(
            "a coordinate system is not known",
            where=where,
            found=text,
            expected="such as EPSG:32614",
            mend=str(problem)[:200],
        ) from None


def safe_gdal() -> fiona.Env:
    """The surroundings every vector file of a stranger is opened and read in."""
    return fiona.Env() if remote_allowed() else fiona.Env(**SAFE_GDAL)


def _choose_layer(path: Path | str, wanted: str | None) -> tuple[str, str | None]:
    """The file's layer, and the layer of the drawing where the file is one: GDAL gives a drawing as one layer."""
    with safe_gdal():
        layers = fiona.listlayers(path)
        if wanted is not None and layers == ["entities"] and wanted != "entities":
            return layers[0], wanted
    if wanted is not None:
        if wanted not in layers:
            raise InputError(
                "the fence file has no such layer", where=path, found=wanted, expected=", ".join(layers[:20])
            )
        return wanted, None
    if len(layers) != 1:
        raise InputError(
            "the fence file has several layers",
            where=path,
            found=", ".join(layers[:20]) or "none",
            expected="one, or input.fence_layer in the site file",
            mend="name the layer as input.fence_layer",
        )
    return str(layers[0]), None


def read_fence(path: Path | str, *, layer: str | None = None, crs: str | None = None) -> FenceLines:
    """Read fence lines.

    Parameters
    ----------
    path : vector file; ``layer`` : its layer where there are several, or the drawing's layer in a DXF; ``crs`` : its
        system where it names none.

    Raises InputError where the file cannot be read, names no system, or holds anything but proper lines.
    """
    local = given_file(path, "fence file")
    notes: list[str] = []
    vertices = 0
    try:
        with _opened(local, layer) as (name, own, drawn_on, source):
            where = f"{local}, layer {name}"
            lines: list[LineString] = []
            features: list[int] = []
            heights: list[float | None] = []
            met: set[str] = set()
            levels: list[npt.NDArray[np.float64]] = []
            for number, geometry, properties in source:
                if number > MAX_FENCE_FEATURES:
                    raise InputError(
                        "the fence file has too many features", where=where, expected=f"at most {MAX_FENCE_FEATURES}"
                    )
                if drawn_on is not None:
                    here = str(properties.get("Layer"))
                    met.add(here)
                    if here != drawn_on:
                        continue
                parts = lines_of(number, geometry, where)
                if len(parts) > 1:
                    notes.append(f"fence feature {number} has {len(parts)} parts; each is taken as a line of its own")
                if "Polygon" in shape(geometry).geom_type:
                    notes.append(f"fence feature {number} is an area; the fence follows its outline")
                vertices += sum(len(part.coords) for part in parts)
                if vertices > MAX_FENCE_VERTICES:
                    raise InputError(
                        "the fence file has too many vertices", where=where, expected=f"at most {MAX_FENCE_VERTICES}"
                    )
                lines += [LineString(get_coordinates(part)) for part in parts]
                levels += [get_coordinates(part, include_z=True) for part in parts if part.has_z]
                features += [number] * len(parts)
                heights += [fence_height(properties, f"{where}, feature {number}")] * len(parts)
    except FENCE_TROUBLE as problem:
        if isinstance(problem, InputError):
            raise
        raise InputError(
            "the fence file cannot be read",
            where=local,
            found=str(problem)[:300],
            expected="GeoPackage, Shapefile, GeoJSON, DXF, KML, CSV or another vector file GDAL reads",
            mend="check that the file is whole (a Shapefile needs its .shx and .dbf beside it)",
        ) from problem
    if not lines and drawn_on is not None:
        raise InputError(
            "the drawing has nothing on that layer",
            where=f"{local}, input.fence_layer",
            found=drawn_on,
            expected="one of its layers: " + (", ".join(sorted(met)[:20]) or "none holds anything"),
        )
    if not lines:
        raise InputError("the fence file has no lines", where=where, found="no features", expected="at least one line")
    if own is None and crs is None:
        raise InputError(
            "the fence file names no coordinate system",
            where=where,
            expected="a file that names its system",
            mend="set input.fence_crs in the site file",
        )
    if own is not None and crs is not None and CRS(own) != crs_from(crs, "input.fence_crs"):
        notes.append(f"the fence file names {own.name}; input.fence_crs is not used")
    system = own if own is not None else crs_from(str(crs), "input.fence_crs")
    closed = [closed_ring(line, number, system, notes) for line, number in zip(lines, features, strict=True)]
    return FenceLines(closed, features, system, name, notes, heights, _levels(levels))


def _levels(vertices: list[npt.NDArray[np.float64]]) -> npt.NDArray[np.float64]:
    xyz = np.concatenate([np.empty((0, 3)), *vertices])
    xyz = xyz[np.isfinite(xyz[:, 2])]
    return xyz if xyz[:, 2].any() else xyz[:0]


@contextmanager
def _opened(
    local: Path | str, layer: str | None
) -> Iterator[tuple[str, CRS | None, str | None, Iterator[tuple[int, Any, Mapping[str, Any]]]]]:
    """Layer, system if it names one, drawing's layer if it is one, and number, geometry and fields of each feature."""
    if isinstance(local, Path):
        with open(local, "rb") as stream:
            text = read_fence_text(local, stream.read(4096), layer)
        if text is not None:
            yield text.layer, text.crs, None, iter(text.features)
            return
    drivers = drivers_for(local, "fence file") if isinstance(local, Path) else None
    name, drawn_on = _choose_layer(local, layer)
    with safe_gdal(), fiona.open(local, layer=name, enabled_drivers=drivers) as source:
        own = CRS.from_wkt(source.crs_wkt) if source.crs_wkt else None
        yield name, own, drawn_on, ((n, f.geometry, f.properties) for n, f in enumerate(source, start=1))


def read_frame(path: Path | str, what: str, layer: str | None = None) -> gpd.GeoDataFrame | pd.DataFrame:
    """The features of a local vector file with their fields, guarded as the fence is; without places a plain frame.

    ``what`` : word for messages, such as ``gates``. InputError where the file cannot be read or holds too much.
    """
    local = local_file(path, f"{what} file")
    drivers = drivers_for(local, f"{what} file")
    chosen = {} if layer is None else {"layer": layer}
    try:
        with safe_gdal(), warnings.catch_warnings():
            # odd names of fields that nobody reads are no concern of the user
            warnings.simplefilter("ignore", UserWarning)
            frame = gpd.read_file(local, engine="fiona", enabled_drivers=drivers, rows=MAX_FENCE_FEATURES + 1, **chosen)
    except FENCE_TROUBLE as problem:
        raise InputError(
            f"the {what} file cannot be read",
            where=local,
            found=str(problem)[:300],
            expected="a vector file GDAL reads",
            mend="check that the file is whole, and the layer's name",
        ) from problem
    if len(frame) > MAX_FENCE_FEATURES:
        raise InputError(
            f"the {what} file has too many features", where=local, expected=f"at most {MAX_FENCE_FEATURES}"
        )
    return frame
