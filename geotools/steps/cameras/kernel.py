"""Where a camera stands and looks so that a zone can be assessed, and what it sees of it. Metres and degrees."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from geotools.errors import NumericInputError
from geotools.plan.camera import Sensor, focal_length_mm, pixel_density

__all__ = [
    "CameraAim",
    "CameraView",
    "aim_along",
    "along",
    "choose_lens",
    "covered",
    "ground_view",
    "in_picture",
    "visible",
]

Ground = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True)
class CameraAim:
    """How a camera looks.

    azimuth_deg : of its axis, clockwise from north.
    tilt_deg : of its axis, above the horizontal (so mostly below zero).
    near_m : horizontal distance of the nearest ground in the picture.
    far_m : horizontal distance of the far end.
    slant_m : straight distance to the far end.
    """

    azimuth_deg: float
    tilt_deg: float
    near_m: float
    far_m: float
    slant_m: float


def choose_lens(sensor: Sensor, density: float, distance_m: float, lenses_mm: Sequence[float]) -> tuple[float, float]:
    """Focal length needed for a density (px/m) at a distance, and the shortest lens at hand that reaches it.

    The longest lens is given where none reaches it; compare the two.
    """
    if not lenses_mm:
        raise NumericInputError("there is no lens to choose from", expected="at least one focal length, mm")
    needed = float(focal_length_mm(sensor, density, distance_m))
    reaching = [lens for lens in lenses_mm if lens >= needed * (1 - 1e-3)]
    return needed, min(reaching) if reaching else max(lenses_mm)


def aim_along(
    camera: ArrayLike, far: ArrayLike, sensor: Sensor, focal_mm: float, *, height_m: float, person_m: float = 1.8
) -> CameraAim:
    """Aim with a person at the far end just inside the top of the picture, so that most of the near ground is in it.

    Parameters
    ----------
    camera, far : (3,) positions of the camera's foot and of the ground at the far end, m.
    height_m : camera above its foot.
    person_m : height of the person who must be in the picture at the far end.

    Raises
    ------
    NumericInputError : the camera stands at the far end.
    """
    foot, end = np.asarray(camera, dtype=np.float64), np.asarray(far, dtype=np.float64)
    across = end[:2] - foot[:2]
    level = float(np.hypot(*across))
    if not level > 0.1:
        raise NumericInputError("a camera stands at the far end of what it should cover", found=foot)
    eye = foot[2] + height_m
    _, upright = sensor.field_deg(focal_mm)
    top = np.degrees(np.arctan2(end[2] + person_m - eye, level))
    bottom = np.radians(top - float(upright))
    # ground taken as the slope between foot and far end for the nearest place in the picture
    slope = (end[2] - foot[2]) / level
    fall = slope - np.tan(bottom)
    near = height_m / fall if fall > 1e-9 else np.inf
    return CameraAim(
        float(np.degrees(np.arctan2(across[0], across[1])) % 360.0),
        float(top - upright / 2),
        float(near),
        level,
        float(np.hypot(level, end[2] + person_m / 2 - eye)),
    )


def visible(distance_m: ArrayLike, ground_m: ArrayLike, eye_m: float, *, target_m: float) -> NDArray[np.bool_]:
    """Whether the top of a target is in line of sight over the ground before it, for every place along a profile.

    Parameters
    ----------
    distance_m, ground_m : (n,) rising horizontal distance from the camera, above zero, and ground level.
    eye_m : level of the camera, same datum. target_m : height of the target above its ground.

    Raises
    ------
    NumericInputError : distances that do not rise from above zero.
    """
    d, z = np.asarray(distance_m, dtype=np.float64), np.asarray(ground_m, dtype=np.float64)
    if d.ndim != 1 or d.shape != z.shape or np.any(np.diff(d) <= 0) or (d.size and d[0] <= 0):
        raise NumericInputError("the distances from a camera do not rise from above zero", found=d[:4])
    bare = (z - eye_m) / d
    horizon = np.maximum.accumulate(np.concatenate([[-np.inf], bare[:-1]]))
    return (z + target_m - eye_m) / d >= horizon - 1e-12


@dataclass(frozen=True)
class CameraView:
    """What a camera looks at.

    Attributes
    ----------
    place : (3,) array_like
        Position of the camera itself, m.
    azimuth_deg, tilt_deg : float
        Its axis: clockwise from north, above the horizontal.
    sensor : Sensor
        Its sensor.
    focal_mm : float
        Its focal length, mm.
    """

    place: ArrayLike
    azimuth_deg: float
    tilt_deg: float
    sensor: Sensor
    focal_mm: float


def along(zone: ArrayLike, spacing_m: float = 1.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Chainage (n,) and place (n, 2) every metre or so along a zone from one end to the other, both ends among them."""
    a, b = np.asarray(zone, dtype=np.float64)[:, :2]
    length = float(np.hypot(*(b - a)))
    s = np.linspace(0.0, length, max(int(np.ceil(length / spacing_m)), 1) + 1)
    return s, a + s[:, None] * (b - a) / length


def in_picture(points: ArrayLike, view: CameraView) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Whether points (n, 3) lie in a camera's picture, and the pixels per metre there, (n,) each."""
    at, eye = np.asarray(points, dtype=np.float64), np.asarray(view.place, dtype=np.float64)
    offset = at[:, :2] - eye[:2]
    level = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-6)
    bearing = np.degrees(np.arctan2(offset[:, 0], offset[:, 1]))
    rise = np.degrees(np.arctan2(at[:, 2] - eye[2], level))
    wide, upright = view.sensor.field_deg(view.focal_mm)
    aside = np.abs((bearing - view.azimuth_deg + 180.0) % 360.0 - 180.0)
    inside = (aside <= wide / 2 + 1e-6) & (np.abs(rise - view.tilt_deg) <= upright / 2 + 1e-6)
    return inside, pixel_density(view.sensor, view.focal_mm, np.hypot(level, at[:, 2] - eye[2]))


def covered(
    zone: ArrayLike,
    view: CameraView,
    *,
    density: float,
    ground: Ground,
    target_m: float,
    spacing_m: float = 1.0,
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
    """What a camera makes of a zone: chainage along it (n,), in the picture, in line of sight, pixels per metre.

    Line of sight is only worked out where some of the zone is in the picture at the wanted density; else it is true.

    Parameters
    ----------
    zone : (2, 2) its ends, m. view : the camera's. density : wanted, px/m. target_m : height that must be seen.
    ground : level at any points. spacing_m : of the chainages.
    """
    eye = np.asarray(view.place, dtype=np.float64)
    s, place = along(zone, spacing_m)
    z = ground(place[:, 0], place[:, 1])
    inside, per_metre = in_picture(np.column_stack([place, z + target_m / 2]), view)
    seen = inside & (per_metre >= density * (1 - 1e-3))
    offset = place - eye[:2]
    level = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-6)
    sight = np.ones(s.size, dtype=bool)
    if seen.any():
        # the ways to all places at once; each is looked at as finely as the longest
        count = max(int(np.ceil(level.max() / spacing_m)), 2)
        t = np.arange(1, count + 1) / count
        path = eye[:2] + t[None, :, None] * offset[:, None, :]
        below = ground(path[..., 0], path[..., 1])
        # ground that is not known hides nothing
        bare = np.where(np.isfinite(below), (below - eye[2]) / (t * level[:, None]), -np.inf)
        horizon = bare[:, :-1].max(axis=1)
        sight = (z + target_m - eye[2]) / level >= horizon - 1e-12
    return s, seen, sight, per_metre


def ground_view(camera: ArrayLike, aim: CameraAim, field_deg: float) -> shapely.Polygon:
    """The ground in the picture, from its nearest to the far end, as a trapezoid.

    Parameters
    ----------
    camera : (2,) or (3,) position, m. field_deg : horizontal field of view.
    """
    x, y = np.asarray(camera, dtype=np.float64)[:2]
    half = np.tan(np.radians(field_deg / 2))
    near, far = min(aim.near_m, aim.far_m * 0.999), aim.far_m
    u = np.array([np.sin(np.radians(aim.azimuth_deg)), np.cos(np.radians(aim.azimuth_deg))])
    v = np.array([-u[1], u[0]])
    corners = [
        near * u - near * half * v,
        far * u - far * half * v,
        far * u + far * half * v,
        near * u + near * half * v,
    ]
    return shapely.Polygon(np.array([x, y]) + np.array(corners))
