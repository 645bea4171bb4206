"""Cameras of a plan, proposed or given, and what they make of its zones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely import Point

from geotools.engine.step import StepContext
from geotools.errors import InputError, StepError, place_words, unprintable
from geotools.plan.camera import DENSITY_CLASSES, Sensor, longest_distance_m
from geotools.plan.schema import BEAMS, ZONES
from geotools.plan.zones import is_yes
from geotools.steps.cameras.kernel import CameraAim, CameraView, aim_along, along, choose_lens, in_picture
from geotools.steps.cameras.places import StandingGround, places_about

__all__ = ["SHORT_M", "Camera", "Sight", "camera_row", "hole_under"]

Row = dict[str, Any]
#: Lengths below this are the rounding of a spacing of one metre.
SHORT_M = 1.5


@dataclass(frozen=True)
class Camera:
    """A camera and the zone it looks along; metres, degrees, millimetres."""

    camera_id: str
    zone_id: str
    given: bool
    x: float
    y: float
    height_m: float
    lens_mm: float
    needed_mm: float
    aim: CameraAim
    locked: bool = False


class Sight:
    """One run."""

    def __init__(self, ctx: StepContext) -> None:
        self.ctx, self.settings = ctx, ctx.site.cameras
        s = self.settings
        self.sensor = Sensor(s.sensor_width_mm, s.sensor_height_mm, s.width_px, s.height_px)
        self.density = DENSITY_CLASSES[s.required_class]
        self._levels: dict[tuple[float, float], float] = {}
        self.placeless: list[str] = []
        zones = ctx.read(ZONES)
        self.fence_of = dict(zip(zones["zone_id"], zones["fence_id"], strict=True))
        beams = ctx.read(BEAMS).drop_duplicates("zone_id").set_index("zone_id")
        missing = [name for name in zones["zone_id"] if name not in beams.index]
        if len(missing) == len(zones):
            raise StepError(
                "no zone has a beam" if missing else "the plan has no zones",
                where="layers zones and beams",
                found=", ".join(missing[:5]) or None,
                mend="run `geotools layout` again, with --keep to keep the heads where they stand",
            )
        if missing:
            ctx.warn(f"zones without a beam are left out: {', '.join(missing[:5])}")
        every = {
            str(n): shapely.get_coordinates(beams.geometry[n])[[0, -1]] for n in zones["zone_id"] if n in beams.index
        }
        holes = {}
        for name, ends in every.items():
            _, places = along(ends)
            hole = hole_under(name, ends, ctx.terrain.sample(places[:, 0], places[:, 1]))
            if hole is not None:
                holes[name] = hole
        if len(holes) == len(every):
            raise next(iter(holes.values()))
        if holes:
            ctx.warn(f"no answer for {', '.join(list(holes)[:5])}: the terrain has no data there")
        self.zones = {n: ends for n, ends in every.items() if n not in holes}

    def length(self, zone_id: str) -> float:
        """Length of a zone, m."""
        a, b = self.zones[zone_id]
        return float(np.hypot(*(b - a)))

    def level(self, x: float, y: float, what: str) -> float:
        """Ground level at a camera's foot."""
        if (x, y) not in self._levels:
            self._levels[x, y] = float(self.ctx.terrain.sample([x], [y])[0])
        z = self._levels[x, y]
        if not np.isfinite(z):
            raise InputError(
                "a camera stands where the terrain has no data", where=f"{what}, x {x:.2f} y {y:.2f} m", mend="move it"
            )
        return z

    def looks(self, camera_id: str, zone_id: str, ends: NDArray, at: NDArray, given: bool, row: Mapping) -> Camera:
        """A camera at a place that looks towards the second of two ends of a zone."""
        height = _number(row, "height_m") or self.settings.height_m
        foot = np.array([*at, self.level(float(at[0]), float(at[1]), camera_id)])
        far = np.array([*ends[1], self.level(float(ends[1][0]), float(ends[1][1]), zone_id)])
        distance = float(np.hypot(np.hypot(*(far - foot)[:2]), far[2] + 0.9 - foot[2] - height))
        needed, lens = choose_lens(self.sensor, self.density, distance, self.settings.lenses_mm)
        lens = _number(row, "lens_mm") or lens
        aim = aim_along(foot, far, self.sensor, lens, height_m=height)
        azimuth, tilt = _number(row, "azimuth_deg"), _number(row, "tilt_deg")
        aim = replace(
            aim,
            azimuth_deg=aim.azimuth_deg if azimuth is None else azimuth % 360.0,
            tilt_deg=aim.tilt_deg if tilt is None else tilt,
        )
        locked = is_yes(row.get("locked"))
        return Camera(camera_id, zone_id, given, float(at[0]), float(at[1]), height, lens, needed, aim, locked)

    def propose(self, ground: StandingGround) -> list[Camera]:
        """One camera a zone, from where it sees most of it.

        A zone beside which no camera may stand gets one at its end; `placeless` names those.
        """
        found = []
        for zone_id, ends in self.zones.items():
            _, place = along(ends)
            best = next(self.ranked(zone_id, ground, np.ones(len(place), dtype=bool), f"C-{zone_id}"), None)
            if best is None:
                self.placeless.append(zone_id)
                best = self.looks(f"C-{zone_id}", zone_id, ends, ends[0], False, {})
            found.append(best)
        return found

    def ranked(
        self, zone_id: str, ground: StandingGround, wanted: NDArray[np.bool_], camera_id: str
    ) -> Iterator[Camera]:
        """Cameras that look along a zone from behind either end, those first that see most of what is wanted.

        Parameters
        ----------
        zone_id, camera_id : names. ground : where they may stand.
        wanted : (n,) places along the zone, as `along` gives them, that have to be seen. The terrain in between is not
            checked here.
        """
        _, along_it = along(self.zones[zone_id])
        z = self.ctx.terrain.sample(along_it[:, 0], along_it[:, 1])
        points = np.column_stack([along_it, z + self.settings.target_m / 2])
        found: list[tuple[int, int, Camera]] = []
        for way in (self.zones[zone_id], self.zones[zone_id][::-1]):
            places = places_about(way[0], way[1], self.settings.stand_back_m)
            places = places[ground.allows(self.fence_of[zone_id], places)]
            levels = self.ctx.terrain.sample(places[:, 0], places[:, 1])
            self._levels |= {(float(x), float(y)): float(v) for (x, y), v in zip(places, levels, strict=True)}
            for at in places[np.isfinite(levels)]:
                camera = self.looks(camera_id, zone_id, way, at, False, {})
                eye = np.array([*at, self.level(float(at[0]), float(at[1]), zone_id) + camera.height_m])
                view = CameraView(eye, camera.aim.azimuth_deg, camera.aim.tilt_deg, self.sensor, camera.lens_mm)
                inside, per_metre = in_picture(points, view)
                seen = inside & (per_metre >= self.density * (1 - 1e-3)) & ~ground.hidden(eye, along_it)
                if (seen & wanted).any():
                    found.append((-int((seen & wanted).sum()), len(found), camera))
        yield from (camera for _, _, camera in sorted(found, key=lambda option: option[:2]))

    def given(self, rows: Sequence[Mapping[str, Any]]) -> list[Camera]:
        """Cameras that stand already: each looks along the zone it names, or that whose end is nearest."""
        found, names = [], set[str]()
        ids = list(self.zones)
        tree = shapely.STRtree([Point(end) for zone in self.zones.values() for end in zone])
        for number, row in enumerate(rows, start=1):
            at = shapely.get_coordinates(row["geometry"])[0]
            given = row.get("camera_id")
            if not pd.api.types.is_scalar(given):
                raise InputError(
                    "a camera's name is no word", where=f"camera {number}", found=str(given)[:80], expected="one word"
                )
            name = f"C{number:03d}" if pd.isna(given) or given == "" else str(given)
            if (code := unprintable(name)) is not None:
                raise InputError("a camera's name holds a character that cannot be written", where=name, found=code)
            if name in names:
                raise InputError("two cameras have one name", where=f"camera {name}", mend="give each its own")
            names.add(name)
            zone_id = row.get("zone_id")
            if not isinstance(zone_id, str) or zone_id not in self.zones:
                zone_id = ids[int(tree.nearest(Point(at))) // 2]
            ends = self.zones[zone_id]
            towards = ends if np.hypot(*(at - ends[0])) <= np.hypot(*(at - ends[1])) else ends[::-1]
            found.append(self.looks(name, zone_id, towards, at, True, row))
        return found


def hole_under(zone_id: str, ends: NDArray, ground_m: NDArray) -> InputError | None:
    """What is wrong where the terrain under a zone has a hole, for nobody can say what a camera sees there.

    Parameters
    ----------
    zone_id : its name. ends : (2, 2) of the zone, m. ground_m : (n,) level of the ground at the places of `along`.
    """
    unknown = np.flatnonzero(~np.isfinite(ground_m))
    if not unknown.size:
        return None
    s, place = along(ends)
    x, y = place[unknown[0]]
    return InputError(
        "the terrain has no data under a zone",
        where=f"{place_words(s[unknown[0]], zone=zone_id)} (x {x:.2f}, y {y:.2f} m)",
        found=f"{unknown.size} of {s.size} places without a height",
        expected="a height everywhere along the zone",
        mend="fill the hole in the model, or survey that stretch",
    )


def _number(row: Mapping[str, Any], name: str) -> float | None:
    value = row.get(name)
    if value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise InputError("a camera's field is not a number", where=name, found=value) from None
    return number if np.isfinite(number) else None


def camera_row(sight: Sight, camera: Camera) -> Row:
    """Row of the layer cameras."""
    ground = sight.level(camera.x, camera.y, camera.camera_id)
    return {
        "camera_id": camera.camera_id,
        "zone_id": camera.zone_id,
        "source": "given" if camera.given else "proposed",
        "height_m": camera.height_m,
        "ground_m": ground,
        "azimuth_deg": camera.aim.azimuth_deg,
        "tilt_deg": camera.aim.tilt_deg,
        "lens_mm": camera.lens_mm,
        "lens_needed_mm": round(camera.needed_mm, 3),
        "required_class": sight.settings.required_class,
        "longest_zone_m": round(float(longest_distance_m(sight.sensor, camera.lens_mm, sight.density)), 3),
        "locked": camera.locked,
        "geometry": Point(camera.x, camera.y, ground + camera.height_m),
    }
