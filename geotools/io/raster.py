"""A raster as a value: cells, their place and their coordinate system, apart from any file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio import Affine
from rasterio.errors import RasterioError
from rasterio.transform import array_bounds

from geotools.errors import InputError, OutputError
from geotools.io.rasters import open_raster, safe_gdal, understood

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Raster"]


@dataclass(frozen=True, eq=False)
class Raster:
    """Cells with their place on the map.

    Parameters
    ----------
    array : numpy.ndarray
        Values, shape (rows, columns), or (bands, rows, columns) where there are several bands; NaN where there is no
        data. Integers become real numbers, masked cells NaN.
    transform : affine.Affine
        From column and row to easting and northing, in map units.
    crs : pyproj.CRS or what makes one
        Coordinate system of the map.
    names : sequence of str, optional
        What each band holds.
    units : sequence of str, optional
        Unit of each band.

    Raises
    ------
    InputError
        The array is no raster, or the coordinate system is not known.

    Examples
    --------
    >>> import numpy as np
    >>> from affine import Affine
    >>> ground = Raster(np.array([[250.0, 250.4]]), Affine(2, 0, 500000, 0, -2, 5400000), "EPSG:32632")
    >>> ground.shape, ground.bounds
    ((1, 2), (500000.0, 5399998.0, 500004.0, 5400000.0))
    """

    array: npt.NDArray[Any]
    transform: Affine
    crs: CRS
    names: Sequence[str] = ()
    units: Sequence[str] = ()

    def __post_init__(self) -> None:
        array = np.ma.asanyarray(self.array)
        if array.ndim not in (2, 3) or array.size == 0 or not np.issubdtype(array.dtype, np.number):
            raise InputError(
                "an array is no raster",
                where="Raster, array",
                found=f"shape {array.shape}, {array.dtype}",
                expected="numbers of shape (rows, columns) or (bands, rows, columns)",
            )
        if np.iscomplexobj(array):
            raise InputError("an array is no raster", where="Raster, array", found=array.dtype, expected="real numbers")
        kind = array.dtype if array.dtype in (np.float32, np.float64) else np.dtype(np.float64)
        object.__setattr__(self, "array", np.ma.filled(array.astype(kind), np.nan))
        try:
            object.__setattr__(self, "crs", CRS.from_user_input(self.crs))
            object.__setattr__(self, "transform", Affine(*tuple(self.transform)[:6]))
        except (CRSError, TypeError) as problem:
            raise InputError(
                "a raster's place is not known",
                where="Raster, transform and crs",
                found=f"{self.transform!r}, {self.crs!r}"[:200],
                expected="an affine transform and a coordinate system such as EPSG:32614",
            ) from problem
        object.__setattr__(self, "names", tuple(self.names) or ("",) * self.count)
        object.__setattr__(self, "units", tuple(self.units) or ("",) * self.count)

    @classmethod
    def open(cls, path: Path | str, what: str = "raster") -> Raster:
        """Read a whole raster.

        Parameters
        ----------
        path : pathlib.Path or str
            A file GDAL reads.
        what : str
            What the user calls it, for messages.

        Returns
        -------
        Raster
            All its bands, NaN where it has no data.

        Raises
        ------
        InputError
            The file is not there, damaged or of a kind that is not read.
        """
        with safe_gdal(), understood(path, what), open_raster(path, what) as raster:
            cells = raster.read(masked=True)
            kind = cells.dtype if np.issubdtype(cells.dtype, np.floating) else np.dtype(np.float64)
            array = cells.astype(kind).filled(np.nan)
            names = [text or "" for text in raster.descriptions]
            units = [text or "" for text in raster.units]
            crs = CRS.from_wkt(raster.crs.to_wkt()) if raster.crs else None
            transform = raster.transform
        if crs is None:
            raise InputError(f"the {what} names no coordinate system", where=path)
        return cls(array[0] if len(array) == 1 else array, transform, crs, names, units)

    @property
    def count(self) -> int:
        """Number of bands."""
        return 1 if self.array.ndim == 2 else len(self.array)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, columns = self.array.shape[-2:]
        return rows, columns

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top in map units."""
        left, bottom, right, top = array_bounds(*self.shape, self.transform)
        return left, bottom, right, top

    def band(self, which: int | str) -> Raster:
        """One band.

        Parameters
        ----------
        which : int or str
            Its number, from 1, or its name.

        Returns
        -------
        Raster
            That band alone, shape (rows, columns).

        Raises
        ------
        InputError
            There is no such band.
        """
        numbers = {name: k for k, name in reversed(list(enumerate(self.names, start=1)))}
        number = numbers.get(which, 0) if isinstance(which, str) else which
        if not 1 <= number <= self.count:
            offered = ", ".join(f"{k} ({name})" if name else str(k) for k, name in enumerate(self.names, start=1))
            raise InputError("a raster has no such band", found=which, expected=offered)
        cells = self.array if self.array.ndim == 2 else self.array[number - 1]
        return Raster(cells, self.transform, self.crs, self.names[number - 1 :][:1], self.units[number - 1 :][:1])

    def plot(self, band: int | str = 1, ax: Axes | None = None, **options: Any) -> Axes:
        """Draw one band on the map.

        Parameters
        ----------
        band : int or str
            Which one.
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure without.
        **options
            For `matplotlib.axes.Axes.imshow`, such as ``cmap`` or ``vmax``.

        Returns
        -------
        matplotlib.axes.Axes
            The axes, with a colour bar that names band and unit.
        """
        import matplotlib.pyplot as plt
        from rasterio.plot import show

        one = self.band(band)
        if ax is None:
            _, ax = plt.subplots()
        show(one.array, transform=self.transform, ax=ax, **options)
        unit = f" ({one.units[0]})" if one.units[0] not in ("", "1") else ""
        ax.figure.colorbar(ax.images[-1], ax=ax, label=one.names[0] + unit)
        return ax

    def to_file(self, path: Path | str, *, overwrite: bool = False) -> Path:
        """Write a GeoTIFF.

        Parameters
        ----------
        path : pathlib.Path or str
            Where.
        overwrite : bool
            Whether a file that is there may be replaced.

        Returns
        -------
        pathlib.Path
            The file.

        Raises
        ------
        OutputError
            There is a file already, or it cannot be written.
        """
        target = Path(path)
        if target.exists() and not overwrite:
            raise OutputError("there is a file already", where=target, mend="give overwrite=True to replace it")
        cells = self.array if self.array.ndim == 3 else self.array[np.newaxis]
        draft = target.with_name(f".{target.name}.draft.tif")
        try:
            with rasterio.open(
                draft,
                "w",
                driver="GTiff",
                height=cells.shape[1],
                width=cells.shape[2],
                count=len(cells),
                dtype=cells.dtype.name,
                crs=self.crs.to_wkt(),
                transform=self.transform,
                nodata=float("nan"),
                compress="deflate",
                bigtiff="if_safer",
            ) as raster:
                raster.write(cells)
                for number, (name, unit) in enumerate(zip(self.names, self.units, strict=True), start=1):
                    raster.set_band_description(number, name)
                    raster.set_band_unit(number, unit)
            draft.replace(target)
        except (RasterioError, OSError) as problem:
            raise OutputError("a raster could not be written", where=target, found=str(problem)[:300]) from problem
        finally:
            draft.unlink(missing_ok=True)
        return target

    def __repr__(self) -> str:
        named = "; ".join(
            f"{name or 'band'}{f' ({unit})' if unit not in ('', '1') else ''}"
            for name, unit in zip(self.names, self.units, strict=True)
        )
        rows, columns = self.shape
        return f"Raster({rows} rows x {columns} columns; {named}; {self.crs.name})"
