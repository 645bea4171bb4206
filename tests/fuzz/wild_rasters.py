"""Rasters of odd sizes, kinds, places and empty values, built by hypothesis."""

from __future__ import annotations

import struct
import warnings
from typing import Any

import numpy as np
from hypothesis import strategies as st
from rasterio.errors import RasterioError
from rasterio.io import MemoryFile
from rasterio.transform import Affine

from tests.fuzz.mutate import EDGES
from tests.fuzz.subjects import BOTTOM, LEFT, ground
from tests.fuzz.wild import NUMBER, TEXT, WHOLE

_KINDS = ("uint8", "int8", "int16", "uint16", "int32", "uint32", "float32", "float64", "complex64", "complex128")
_SYSTEMS = ("EPSG:32632", "EPSG:4326", "EPSG:3857", "EPSG:2263", "EPSG:5773", "EPSG:4979", None)


def _values(kind: str, rows: int, columns: int, fill: float | None) -> np.ndarray:
    heights = np.resize(ground(), (rows, columns)) if fill is None else np.full((rows, columns), fill)
    if not np.issubdtype(kind, np.integer):
        return heights.astype(kind)
    limits = np.iinfo(kind)
    return np.clip(np.nan_to_num(heights), limits.min, limits.max).astype(kind)


_ASPECTS = ("kind", "rows", "columns", "cell", "turn", "corner", "bands", "system", "nodata", "values", "unit")


@st.composite
def _drawn(draw: st.DrawFn) -> bytes | None:
    """The small site's terrain with one to three things about it that are not as they were."""
    odd = draw(st.sets(st.sampled_from(_ASPECTS), min_size=1, max_size=3))

    def pick(aspect: str, usual: Any, strange: st.SearchStrategy[Any]) -> Any:
        return draw(strange) if aspect in odd else usual

    kind = pick("kind", "float32", st.sampled_from(_KINDS))
    size = st.one_of(st.integers(1, 130), st.sampled_from((1, 2, 3)))
    cell = st.one_of(st.floats(0.05, 200.0), NUMBER)
    corner = pick("corner", (LEFT, BOTTOM + 100), st.tuples(NUMBER, NUMBER))
    transform = Affine(
        pick("cell", 1.0, cell), pick("turn", 0.0, NUMBER), corner[0],
        pick("turn", 0.0, NUMBER), -pick("cell", 1.0, cell), corner[1],
    )  # fmt: skip
    rows, columns = pick("rows", 100, size), pick("columns", 100, size)
    profile = {
        "driver": "GTiff", "height": rows, "width": columns, "dtype": kind,
        "count": pick("bands", 1, st.integers(2, 3)),
        "crs": pick("system", "EPSG:32632", st.sampled_from(_SYSTEMS)), "transform": transform,
    }  # fmt: skip
    nodata = pick("nodata", -9999.0, st.one_of(st.none(), NUMBER, st.sampled_from((250.0, 0.0, 255.0))))
    fill = pick("values", None, NUMBER)
    words = pick("unit", "metre", st.one_of(st.sampled_from(("foot", "US survey foot", "m", "")), TEXT))
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        try:
            with MemoryFile() as held:
                with held.open(**profile, **({} if nodata is None else {"nodata": nodata})) as raster:
                    for band in range(1, raster.count + 1):
                        raster.write(_values(kind, rows, columns, fill), band)
                    raster.units = (words.replace("\x00", ""),) * raster.count
                return bytes(held.read())
        except (RasterioError, ValueError, TypeError, OverflowError):
            return None  # what the library does not write, no file can hold


def _declared(data: bytes, tag: int, value: int) -> bytes:
    """A whole TIFF whose directory says something else: tag numbers as in TIFF 6.0, section 8."""
    changed = bytearray(data)
    at = struct.unpack_from("<I", changed, 4)[0]
    for entry in range(struct.unpack_from("<H", changed, at)[0]):
        place = at + 2 + 12 * entry
        if struct.unpack_from("<H", changed, place)[0] == tag:
            struct.pack_into("<HII", changed, place + 2, 4, 1, value & 0xFFFFFFFF)
    return bytes(changed)


_GEOTIFF = _drawn().filter(lambda data: data is not None)
_LYING = st.builds(
    _declared,
    _GEOTIFF,
    # width, height, bits, compression, samples, rows a strip, planes, predictor, tile width, tile height, format
    st.sampled_from((256, 257, 258, 259, 277, 278, 284, 317, 322, 323, 339)),
    st.one_of(st.sampled_from(EDGES), st.integers(0, 2**32 - 1)),
)
_GRID = st.builds(
    lambda w, h, cell, x, nodata, value: (
        f"ncols {w}\nnrows {h}\nxllcorner {x}\nyllcorner {BOTTOM}\ncellsize {cell}\nNODATA_value {nodata}\n"
        + f"{value} " * 200
    ).encode(),
    WHOLE, WHOLE, NUMBER, NUMBER, NUMBER, NUMBER,
)  # fmt: skip


def _virtual(width: int, height: int, kind: str, transform: list[float], source: str, inside: bool) -> bytes:
    from xml.sax.saxutils import escape

    name = "tile.tif" if inside else escape(source)
    return (
        f'<VRTDataset rasterXSize="{width}" rasterYSize="{height}"><SRS>EPSG:32632</SRS>'
        f"<GeoTransform>{', '.join(map(repr, transform))}</GeoTransform>"
        f'<VRTRasterBand dataType="{kind}" band="1"><SimpleSource><SourceFilename relativeToVRT="1">{name}'
        "</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    ).encode("utf-8", "surrogatepass")


_VIRTUAL = st.builds(
    _virtual,
    WHOLE,
    WHOLE,
    st.sampled_from(("Byte", "Float32", "Float64", "CFloat64", "Int64", "Nothing")),
    st.one_of(st.just([LEFT, 1.0, 0.0, BOTTOM + 100, 0.0, -1.0]), st.lists(NUMBER, min_size=6, max_size=6)),
    TEXT,
    st.booleans(),
)
RASTER = st.one_of(_GEOTIFF, _GEOTIFF, _LYING, _GRID, _VIRTUAL)
