"""In what unit the terrain's heights are: as the site file or the raster says."""

from __future__ import annotations

from dataclasses import dataclass

from pyproj import CRS

from geotools.errors import InputError
from geotools.io.crs import horizontal, metres_in, metres_per_unit, unit_name, vertical
from geotools.io.rasters import band_unit_inside
from geotools.site import Site

__all__ = ["HeightUnit", "height_unit"]


@dataclass(frozen=True)
class HeightUnit:
    """Unit of the heights of a raster.

    Attributes
    ----------
    metres : float
        Metres in one unit.
    name : str
        As file or site file names it.
    stated : bool
        Whether anybody names it; metres are taken where nobody does.
    """

    metres: float
    name: str
    stated: bool


def height_unit(
    site: Site, terrain_crs: CRS, band_unit: str | None, warnings: list[str], notes: list[str]
) -> HeightUnit:
    """The unit of the terrain's heights: what the site file says, else the raster; metres where nobody says it.

    Parameters
    ----------
    site : Site
        For its files and ``input.vertical_unit``.
    terrain_crs : CRS
        Of the raster, compound where it has a system of heights.
    band_unit : str or None
        Unit that the raster's band names, sidecar files counted in.
    warnings, notes : list of str
        Are added to.

    Raises
    ------
    InputError
        The raster contradicts itself, names no known unit, or names none beside a map that is not in metres.
    """
    upright = vertical(terrain_crs)
    said = site.input.vertical_unit
    stated = [("its coordinate system", upright.axis_info[0].unit_name)] if upright is not None else []
    stated += [("its band", band_unit)] if band_unit is not None else []
    inside = band_unit_inside(site.path(site.input.terrain), site.input.terrain_band)
    if inside is not None and band_unit is not None and metres_in(inside) != metres_in(band_unit):
        stated = [*stated[:-1], ("its .aux.xml file", band_unit), ("its band", inside)]
    worth = {metres_in(unit) for _, unit in stated if metres_in(unit) is not None}
    if len(worth) > 1 and said is None:
        raise InputError(
            "the terrain raster contradicts itself about the unit of its heights",
            where=site.input.terrain,
            found=", ".join(f"{whose} says {unit}" for whose, unit in stated),
            expected="one unit of height",
            mend="ask its supplier, then set input.vertical_unit in the site file",
        )
    in_file = upright.axis_info[0].unit_name if upright is not None else band_unit
    if in_file is not None and metres_in(in_file) is None:
        if said is None:
            raise InputError(
                "the terrain raster names an unknown unit of height",
                where=site.input.terrain,
                found=in_file,
                expected="metre, foot or US survey foot",
                mend="set input.vertical_unit in the site file",
            )
        in_file = None
    if said is not None:
        metres = metres_in(said)
        assert metres is not None  # the setting's choices are units
        for whose, unit in stated:
            if metres_in(unit) not in (metres, None):
                warnings.append(
                    f"the raster ({whose}) says its heights are in {unit}, the site file says {said}: {said} is taken"
                )
        return HeightUnit(metres, said, True)
    metres = metres_in(in_file)
    if in_file is not None and metres is not None:
        return HeightUnit(metres, in_file, True)
    flat = horizontal(terrain_crs)
    if flat.is_projected and metres_per_unit(flat) != 1.0:
        raise InputError(
            "the terrain raster does not say in what unit its heights are",
            where=site.input.terrain,
            found=f"map unit {unit_name(flat)}, heights unstated",
            expected="a stated unit, for heights may be in metres or in feet",
            mend='set input.vertical_unit in the site file: "metre", "foot" or "US survey foot"',
        )
    notes.append("the raster does not say in what unit its heights are; metres are taken")
    return HeightUnit(1.0, "metre", False)
