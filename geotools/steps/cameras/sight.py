"""Cameras of a plan, proposed or given, and what they make of its zones."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
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
from geotools.steps.cameras.kernel import CameraAim, CameraView, aim_along, choose_lens, covered, stand_back
from geotools.terrain.band_grid import BandGrid

__all__ = ["SHORT_M", "Camera", "Seen", "Sight", "camera_row"]

Row = dict[str, Any]
#: Ground looked up for lines of sight: spacing, and how far to the side of zones and cameras it is known.
_CELL_M, _BAND_M = 1.0, 40.0
#: A camera post keeps this distance from the edge of the clear ground.
_POST_M = 1.0
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


class Sight:
    """One run."""

    def __init__(self, ctx: StepContext) -> None:
        self.ctx, self.settings = ctx, ctx.site.cameras
        s = self.settings
        self.sensor = Sensor(s.sensor_width_mm, s.sensor_height_mm, s.width_px, s.height_px)
        self.density = DENSITY_CLASSES[s.required_class]
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
        holes = {n: hole for n, (a, b) in every.items() if (hole := _hole(ctx.terrain.sample, n, a, b)) is not None}
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
        z = float(self.ctx.terrain.sample([x], [y])[0])
        if not np.isfinite(z):
            raise InputError(
                "a camera stands where the terrain has no data", where=f"{what}, x {x:.2f} y {y:.2f} m", mend="move it"
            )
        return z

    def _on_ground(self, at: NDArray) -> bool:
        """Whether the terrain has a level at a place."""
        return bool(np.isfinite(self.ctx.terrain.sample([at[0]], [at[1]])[0]))

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
        return Camera(camera_id, zone_id, given, float(at[0]), float(at[1]), height, lens, needed, aim)

    def propose(self, clear: Mapping[str, shapely.Geometry]) -> tuple[list[Camera], dict[str, Camera]]:
        """One camera a zone from the better end; and for each zone a second one from its other end, if it is wanted."""
        found, seconds = [], {}
        for zone_id, ends in self.zones.items():
            ground = clear.get(self.fence_of[zone_id], shapely.MultiPoint(ends).buffer(2 * _POST_M)).buffer(-_POST_M)
            options = []
            for way in (ends, ends[::-1]):
                u = (way[0] - way[1]) / np.hypot(*(way[0] - way[1]))
                room = stand_back(way[0], way[1], ground, wanted_m=self.settings.stand_back_m)
                back = 0.0
                # farther back takes a longer lens, whose blind foot is longer again: it settles in a few rounds
                for _ in range(4):
                    camera = self.looks(f"C-{zone_id}", zone_id, way, way[0] + back * u, False, {})
                    back = float(min(room, camera.aim.near_m))
                    if not self._on_ground(way[0] + back * u):
                        back = 0.0
                        break
                camera = self.looks(f"C-{zone_id}", zone_id, way, way[0] + back * u, False, {})
                options.append((max(0.0, camera.aim.near_m - back), camera))
            options.sort(key=lambda option: round(option[0], 1))
            found.append(options[0][1])
            seconds[zone_id] = replace(options[1][1], camera_id=f"C-{zone_id}-2")
        return found, seconds

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


def _hole(ground: Callable[..., NDArray], zone_id: str, a: NDArray, b: NDArray) -> InputError | None:
    """What is wrong where the terrain under a zone has a hole, for nobody can say what a camera sees there."""
    length = float(np.hypot(*(b - a)))
    s = np.linspace(0.0, length, max(int(np.ceil(length)), 1) + 1)
    place = a + s[:, None] * (b - a) / length
    unknown = np.flatnonzero(~np.isfinite(ground(place[:, 0], place[:, 1])))
    if not unknown.size:
        return None
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
        "geometry": Point(camera.x, camera.y, ground + camera.height_m),
    }


class Seen:
    """What all cameras make of all zones."""

    def __init__(self, sight: Sight, cameras: Sequence[Camera], rows: Sequence[Row]) -> None:
        spine = [np.linspace(a, b, max(2, int(np.hypot(*(b - a)) / 8) + 1)) for a, b in sight.zones.values()]
        spine.append(np.array([[c.x, c.y] for c in cameras]))
        ground = BandGrid(np.vstack(spine), _BAND_M, sight.ctx.terrain.sample, cell_m=_CELL_M)
        for zone_id, (a, b) in sight.zones.items():
            if (hole := _hole(ground, zone_id, a, b)) is not None:
                raise hole
        lines = shapely.linestrings(np.array(list(sight.zones.values())))
        tree, names = shapely.STRtree(lines), list(sight.zones)
        self.assessed: dict[str, NDArray[np.bool_]] = {}
        self.own: dict[str, tuple[float, float, float]] = {}
        for done, (camera, row) in enumerate(zip(cameras, rows, strict=True)):
            sight.ctx.progress(done, len(cameras), f"camera {camera.camera_id}")
            eye = shapely.get_coordinates(row["geometry"], include_z=True)[0]
            near = tree.query(Point(eye[:2]).buffer(row["longest_zone_m"]))
            for zone_id in {names[k] for k in near} | {camera.zone_id}:
                s, picture, visible, density = covered(
                    sight.zones[zone_id],
                    CameraView(eye, camera.aim.azimuth_deg, camera.aim.tilt_deg, sight.sensor, camera.lens_mm),
                    density=sight.density,
                    ground=ground,
                    target_m=sight.settings.target_m,
                )
                here = self.assessed.setdefault(zone_id, np.zeros(s.size, dtype=bool))
                here |= picture & visible
                if zone_id == camera.zone_id:
                    step = float(s[1] - s[0])
                    ends = sight.zones[zone_id]
                    far = -1 if np.hypot(*(ends[1] - eye[:2])) >= np.hypot(*(ends[0] - eye[:2])) else 0
                    self.own[camera.camera_id] = (
                        float((picture & visible).sum() * step),
                        float((picture & ~visible).sum() * step),
                        float(density[far]),
                    )

    def uncovered(self, zone_id: str, length: float) -> tuple[float, float]:
        """Length that no camera assesses, and where its middle lies along the zone, m."""
        seen = self.assessed.get(zone_id)
        if seen is None:
            return length, length / 2
        share = float((~seen).mean())
        return length * share, float(np.mean(np.flatnonzero(~seen))) / max(seen.size - 1, 1) * length if share else 0.0
