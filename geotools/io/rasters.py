"""Opening rasters that strangers hand in: local ones, of known kinds, of a size that can be read piece by piece."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

import numpy as np
import rasterio
from rasterio._err import CPLE_BaseError  # what the library lets through from GDAL has no public name
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.io import DatasetReader

from geotools.errors import InputError
from geotools.io.files import given_file, remote_allowed
from geotools.io.vrt import check_vrt

#: Kinds of raster that hold heights in a file on this machine; those that fetch, run code or index other files are out.
DRIVERS = (
    "GTiff",
    "VRT",
    "AAIGrid",
    "GRASSASCIIGrid",
    "EHdr",
    "ENVI",
    "HFA",
    "GPKG",
    "USGSDEM",
    "SRTMHGT",
    "DTED",
    "XYZ",
    "GSAG",
    "GSBG",
    "GS7BG",
    "SAGA",
    "RST",
    "BT",
    "netCDF",
    "JP2OpenJPEG",
    "PNG",
    "JPEG",
)
#: Grids written as text; where one is cut short, GDAL looks for every missing number at the file's end, for hours.
TEXT_DRIVERS = ("AAIGrid", "GRASSASCIIGrid", "GSAG")
#: A raster is read block by block; a block above this does not fit beside its neighbours in a small memory.
MAX_BLOCK_CELLS = 32_000_000
#: 1000 km x 1000 km in half-metre cells: whatever declares more is damaged or a trap.
MAX_CELLS = 4_000_000_000_000

#: GDAL's cache of blocks: without a limit it would grow with the machine, not with the work.
CACHE_MB = 64
#: GDAL's own switches: nothing is fetched, nothing run; the cache of blocks, and the number of a virtual raster's files
#: that are held open, stay small whatever the machine has and however long the line is.
SAFE_GDAL = {
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "/vsicurl/none",
    "GDAL_VRT_ENABLE_PYTHON": "NO",
    "GDAL_VRT_RAWRASTERBAND_ALLOWED_SOURCE": "SIBLING_OR_CHILD_OF_VRT_PATH",
    "GML_DOWNLOAD_SCHEMA": "NO",
    "GDAL_CACHEMAX": CACHE_MB,
    "GDAL_MAX_DATASET_POOL_SIZE": 32,
}


#: Everything a damaged raster makes the library raise.
RASTER_TROUBLE = (RasterioError, RasterioIOError, CPLE_BaseError, ValueError, OverflowError, MemoryError)


def safe_gdal() -> rasterio.Env:
    """The surroundings every raster of ours is opened and read in."""
    options = dict(SAFE_GDAL)
    if remote_allowed():
        del options["CPL_VSIL_CURL_ALLOWED_FILENAME"]
    return rasterio.Env(**options)


def small_cache() -> rasterio.Env:
    """The surroundings rasters of ours are written in: GDAL's cache of blocks stays small whatever the machine has."""
    return rasterio.Env(GDAL_CACHEMAX=CACHE_MB)


@contextmanager
def understood(where: object, what: str = "terrain raster") -> Iterator[None]:
    """InputError for whatever damage the library meets while a raster's description is read.

    It reports late: an error of one look at the header may surface at the next.
    """
    try:
        yield
    except RASTER_TROUBLE as problem:
        raise InputError(
            f"the {what} describes itself in a way that cannot be read",
            where=where,
            found=str(problem)[:300],
            expected="a raster GDAL reads, such as GeoTIFF",
            mend="copy the file again, or write it anew with gdal_translate",
        ) from problem


def open_raster(path: Path | str, what: str = "terrain raster") -> DatasetReader:
    """The raster, opened for reading.

    Parameters
    ----------
    path : file; ``what`` : what the user calls it, for messages.

    Raises InputError where it is no local file, of no known kind, damaged, or declares a size that cannot be read.
    """
    local = given_file(path, what)
    if isinstance(local, Path):
        check_vrt(local, what)
    try:
        with safe_gdal():
            raster = DatasetReader(str(local), driver=None if remote_allowed() else list(DRIVERS), sharing=False)
    except RASTER_TROUBLE as problem:
        raise InputError(
            f"the {what} cannot be read",
            where=local,
            found=str(problem)[:300],
            expected="a raster GDAL reads, such as GeoTIFF",
            mend="check that the file is whole; copy it again",
        ) from problem
    try:
        with understood(local, what):
            _check_size(raster, what)
            if raster.driver in TEXT_DRIVERS and isinstance(local, Path):
                _check_whole_text(raster, local, what)
            _ = (raster.crs, raster.colorinterp, raster.units, raster.nodatavals, raster.mask_flag_enums, raster.scales)
    except InputError:
        raster.close()
        raise
    return raster


def band_unit_inside(path: Path | str, band: int) -> str | None:
    """The unit that a raster itself gives its band, without what an .aux.xml file beside it says; None where none.

    Parameters
    ----------
    path : Path or str
        A raster that `open_raster` opens.
    band : int
        Number of the band, from 1.
    """
    local = given_file(path, "terrain raster")
    try:
        with rasterio.Env(**{**SAFE_GDAL, "GDAL_PAM_ENABLED": "NO"}):
            raster = DatasetReader(str(local), driver=None if remote_allowed() else list(DRIVERS), sharing=False)
            try:
                return str(raster.units[band - 1]) if raster.units[band - 1] else None
            finally:
                raster.close()
    except RASTER_TROUBLE:
        return None  # a raster that lives by its sidecar has nothing of its own to contradict it


def _check_size(raster: DatasetReader, what: str) -> None:
    cells = raster.width * raster.height
    if raster.count == 0:
        raise InputError(f"the {what} has no bands", where=raster.name, expected="one band of heights")
    if cells > MAX_CELLS:
        raise InputError(
            f"the {what} declares an absurd size",
            where=raster.name,
            found=f"{raster.width} x {raster.height} cells",
            expected=f"at most {MAX_CELLS:.0e} cells",
            mend="check the file: its header is damaged, or it is no terrain model",
        )
    rows, columns = raster.block_shapes[0]
    if rows * columns > MAX_BLOCK_CELLS:
        raise InputError(
            f"the {what} can only be read in huge pieces",
            where=raster.name,
            found=f"blocks of {columns} x {rows} cells",
            expected=f"at most {MAX_BLOCK_CELLS} cells a block",
            mend="store it in tiles, for example: gdal_translate -of COG in.tif out.tif",
        )


def _check_whole_text(raster: DatasetReader, path: Path, what: str) -> None:
    """InputError where a grid of numbers as text holds fewer of them than it declares."""
    state = path.stat()
    held, cells = _words(path, state.st_size, state.st_mtime_ns), raster.width * raster.height
    if held < cells:
        raise InputError(
            f"the {what} is cut short",
            where=path,
            found=f"{held} numbers",
            expected=f"{raster.width} x {raster.height} = {cells} cells, as its header says",
            mend="copy the file again",
        )


@lru_cache(maxsize=64)
def _words(path: Path, size: int, changed: int) -> int:
    """How many words stand in a text file; ``size`` and ``changed`` tell one state of it from another."""
    found, before = 0, False
    with open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            inside = np.frombuffer(block, np.uint8) > ord(" ")
            found += int(np.count_nonzero(inside[1:] & ~inside[:-1])) + int(inside[0] and not before)
            before = bool(inside[-1])
    return found
