"""Whether the plan's metres are metres at the site: scale and convergence of its coordinate system."""

from __future__ import annotations

import numpy as np
from pyproj import CRS

from geotools.errors import InputError
from geotools.io.area import outside_area
from geotools.io.crs import horizontal, map_factors, transformer, utm_for
from geotools.io.vectors import FenceLines
from geotools.site import Site

__all__ = ["REFUSED_SCALE", "SAID_SCALE", "check_true_metres"]

#: Scale errors that are said, and that are refused. UTM is true to 1 in 2500 on its central meridian and 1 in 1000 at
#: the edge of a zone (scale 0.9996: EPSG Guidance Note 7-2, 3.2.5, from memory); national systems go as far.
SAID_SCALE, REFUSED_SCALE = 1 / 2500, 1 / 500


def check_true_metres(site: Site, fence: FenceLines, plan_crs: CRS, warnings: list[str], notes: list[str]) -> None:
    """Refuse a plan whose metres are none; say how far they are off where it counts.

    Parameters
    ----------
    site : Site
        For what the files are called.
    fence : FenceLines
        As read; the middle of its vertices is the place that is looked at.
    plan_crs : CRS
        A projected system.
    warnings, notes : list of str
        Are added to.

    Raises
    ------
    InputError
        The system is off by more than `REFUSED_SCALE`, or cannot show the place.
    """
    to_plan = transformer(horizontal(fence.crs), plan_crs)
    x, y = to_plan.transform(*np.mean(np.concatenate([np.asarray(line.coords)[:, :2] for line in fence.lines]), axis=0))
    if not np.isfinite([x, y]).all():
        raise InputError(
            "the fence cannot be brought into the plan's coordinate system",
            where=site.input.fence,
            found=fence.crs.name,
            expected=plan_crs.name,
            mend="check the coordinate systems that the files name",
        )
    far = outside_area(plan_crs, float(x), float(y))
    here = map_factors(plan_crs, float(x), float(y))
    scale = here.most if here.most - 1.0 >= 1.0 - here.least else here.least
    proposal = f'plan_crs = "{utm_for(here.longitude, here.latitude)}"'
    if here.error > REFUSED_SCALE:
        raise InputError(
            "the plan's coordinate system does not count in true metres at the site",
            where=f"{plan_crs.name}, at longitude {here.longitude:.4f}, latitude {here.latitude:.4f}",
            found=f"100 m on the ground are {100 * scale:.2f} m on this map" + (f"; {far}" if far else ""),
            expected=f"true to 1 in {1 / REFUSED_SCALE:.0f}",
            mend="check which system the files are really in, and whether their coordinates are whole"
            if far
            else f"set a projected system of the region under [input], for example {proposal}; and check that the "
            "files name the system they are really in",
        )
    if far is not None:
        warnings.append(far)
    if here.error > SAID_SCALE + 1e-6:
        warnings.append(
            f"100 m on the ground are {100 * scale:.2f} m in {plan_crs.name} at the site (1 in {1 / here.error:.0f}); "
            f"lengths, areas and volumes of the plan are off by so much; another system, for example {proposal}, may "
            "come nearer"
        )
    if abs(here.convergence_deg) > 0.1:
        notes.append(
            f"grid north of {plan_crs.name} lies {here.convergence_deg:+.2f} degrees to true north at the site"
        )
