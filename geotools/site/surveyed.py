"""What the survey behind a site's terrain resolves: as the site file states it, as the raster says, or as it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from shapely import LineString, get_coordinates, line_interpolate_point

from geotools.corridor import Array
from geotools.site import Site
from geotools.terrain.model import Terrain
from geotools.terrain.quality import SurveyQuality, estimated, from_tags

__all__ = ["contradiction", "patches_along", "survey_quality"]

#: A source's cell is found up to a fifth of a piece's side; pieces of this many cells are read at once.
PATCH_CELLS = 512
MOST_PATCHES = 8
#: A stated resolution that the heights contradict by more than this factor is said.
DOUBTFUL = 2.0


def patches_along(terrain: Terrain, lines: Sequence[LineString]) -> list[Array]:
    """Pieces of the raster as it is stored, along the fence; about the raster's middle where there is no fence.

    Parameters
    ----------
    terrain : Terrain
        The model.
    lines : sequence of LineString
        Fence lines in the plan's metres.
    """
    total = float(sum(line.length for line in lines))
    if total == 0.0:
        left, bottom, right, top = terrain.bounds_m
        return [terrain.patch((left + right) / 2, (bottom + top) / 2, PATCH_CELLS)]
    side = PATCH_CELLS * terrain.cell_m
    count = int(np.clip(np.ceil(total / side), 1, MOST_PATCHES))
    places = []
    before = 0.0
    wanted = (np.arange(count) + 0.5) * total / count
    for line in lines:
        here = wanted[(wanted >= before) & (wanted < before + line.length)] - before
        places += get_coordinates(line_interpolate_point(line, here)).tolist()
        before += line.length
    found = [terrain.patch(x, y, PATCH_CELLS) for x, y in places]
    return [patch for patch in found if patch.size]


def survey_quality(site: Site, terrain: Terrain, lines: Sequence[LineString] = ()) -> SurveyQuality:
    """What is known of the survey behind the site's terrain.

    A resolution that the site file states comes first, then the raster's metadata, then an estimate from the heights
    along the fence. None of them is finer than the raster's own cells.

    Parameters
    ----------
    site : Site
        ``input.resolution_m`` and ``input.vertical_accuracy_m`` are taken where they are given.
    terrain : Terrain
        The model, open.
    lines : sequence of LineString
        Fence lines in the plan's metres; without them the raster's middle is looked at.
    """
    cell = terrain.cell_m
    shown = estimated(patches_along(terrain, lines), cell)
    said = from_tags(terrain.tags, cell)
    if said is not None and said.origin == "metadata":
        found = replace(said, height_step_m=shown.height_step_m)
    elif said is not None:
        found = replace(shown, spacing_m=said.spacing_m, accuracy_m=said.accuracy_m, kind=said.kind)
    else:
        found = shown
    stated = site.input.resolution_m
    if stated is not None:
        found = replace(found, resolves_m=max(stated, cell), origin="stated")
    accuracy = site.input.vertical_accuracy_m
    return found if accuracy is None else replace(found, accuracy_m=accuracy)


def contradiction(site: Site, terrain: Terrain, lines: Sequence[LineString]) -> str | None:
    """A sentence where the heights show much less detail than the site file or the raster's metadata say."""
    quality = survey_quality(site, terrain, lines)
    if quality.origin not in ("stated", "metadata"):
        return None
    shown = estimated(patches_along(terrain, lines), terrain.cell_m)
    if shown.origin != "estimated" or shown.resolves_m <= DOUBTFUL * quality.resolves_m:
        return None
    whose = "input.resolution_m says" if quality.origin == "stated" else "the raster's metadata say"
    return (
        f"{whose} that the terrain resolves {quality.resolves_m:.2f} m, but its heights look like a model of "
        f"{shown.resolves_m:.1f} m that was {'repeated' if shown.method == 'repeated' else 'interpolated'}; ask its "
        "supplier"
    )
