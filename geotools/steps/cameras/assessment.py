"""What all cameras make of all zones, of the posts of heads and of the gates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point

from geotools.steps.cameras.kernel import CameraView, along, covered
from geotools.steps.cameras.places import StandingGround
from geotools.steps.cameras.sight import Camera, Row, Sight
from geotools.terrain.band_grid import BandGrid

__all__ = ["Assessment", "Share"]

#: Ground looked up for lines of sight: spacing, and how far to the side of zones and cameras it is known.
_CELL_M, _BAND_M = 1.0, 40.0
#: A gate is looked at in steps of this.
_GATE_STEP_M = 0.5
#: Places tried, lines of sight included, for a further camera of a zone.
_TRIED = 12


@dataclass(frozen=True)
class Share:
    """What one camera makes of one zone.

    assessed : along the zone, in the picture at the class and in sight. assessed_m, hidden_m : lengths, hidden by the
    ground, buildings or trees. far_px_per_m : density at the end that lies farther off.
    """

    assessed: NDArray[np.bool_]
    assessed_m: float
    hidden_m: float
    far_px_per_m: float


class Assessment:
    """Zones, posts and gates in the pictures of all cameras."""

    def __init__(self, sight: Sight, cameras: Sequence[Camera], rows: Sequence[Row], ground: StandingGround) -> None:
        self.sight, self.ground = sight, ground
        spine = [np.linspace(a, b, max(2, int(np.hypot(*(b - a)) / 8) + 1)) for a, b in sight.zones.values()]
        spine.append(np.array([[c.x, c.y] for c in cameras]))
        spine += [shapely.get_coordinates(gate) for gate in ground.gates]
        # ground beside the band hides nothing
        self._band = BandGrid(np.vstack(spine), _BAND_M, sight.ctx.terrain.sample, cell_m=_CELL_M, outside=-np.inf)
        lines = shapely.linestrings(np.array(list(sight.zones.values())))
        tree, names = shapely.STRtree(lines), list(sight.zones)
        self.views: dict[str, tuple[CameraView, float]] = {}
        self.shares: dict[str, dict[str, Share]] = {}
        for done, (camera, row) in enumerate(zip(cameras, rows, strict=True)):
            sight.ctx.progress(done, len(cameras), f"camera {camera.camera_id}")
            eye = shapely.get_coordinates(row["geometry"], include_z=True)[0]
            view = CameraView(eye, camera.aim.azimuth_deg, camera.aim.tilt_deg, sight.sensor, camera.lens_mm)
            self.views[camera.camera_id] = view, float(row["longest_zone_m"])
            near = tree.query(Point(eye[:2]).buffer(row["longest_zone_m"]))
            for zone_id in sorted({names[k] for k in near} | {camera.zone_id}):
                self.shares.setdefault(zone_id, {})[camera.camera_id] = self._share(sight.zones[zone_id], view)

    def terrain(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Level of the ground, m; NaN where the terrain itself has none: beside a hole the look-up knows too little."""
        level = self._band(x, y)
        if (unknown := np.isnan(level)).any():
            level[unknown] = self.sight.ctx.terrain.sample(x[unknown], y[unknown])
        return level

    def _share(self, ends: NDArray[np.float64], view: CameraView, spacing_m: float = 1.0) -> Share:
        s, picture, visible, density = covered(
            ends,
            view,
            density=self.sight.density,
            ground=self.terrain,
            target_m=self.sight.settings.target_m,
            spacing_m=spacing_m,
        )
        eye = np.asarray(view.place)
        if picture.any():
            visible = visible & ~self.ground.hidden(eye, along(ends, spacing_m)[1])
        step = float(s[1] - s[0])
        far = -1 if np.hypot(*(ends[1] - eye[:2])) >= np.hypot(*(ends[0] - eye[:2])) else 0
        return Share(
            picture & visible,
            float((picture & visible).sum() * step),
            float((picture & ~visible).sum() * step),
            float(density[far]),
        )

    def uncovered(self, zone_id: str, length: float) -> tuple[float, float]:
        """Length that no camera assesses, and where its middle lies along the zone, m."""
        shares = self.shares.get(zone_id)
        if not shares:
            return length, length / 2
        left = ~np.any([share.assessed for share in shares.values()], axis=0)
        share = float(left.mean())
        return length * share, float(np.mean(np.flatnonzero(left))) / max(left.size - 1, 1) * length if share else 0.0

    def further(self, zone_id: str, camera_id: str) -> Camera | None:
        """A camera that sees most of what none sees of a zone yet; None where no place shows any of it."""
        shares = self.shares.get(zone_id, {})
        _, place = along(self.sight.zones[zone_id])
        left = np.ones(len(place), dtype=bool)
        for share in shares.values():
            left &= ~share.assessed
        best: tuple[int, Camera] | None = None
        for camera in islice(self.sight.ranked(zone_id, self.ground, left, camera_id), _TRIED):
            eye = np.array([camera.x, camera.y, self.sight.level(camera.x, camera.y, camera_id) + camera.height_m])
            view = CameraView(eye, camera.aim.azimuth_deg, camera.aim.tilt_deg, self.sight.sensor, camera.lens_mm)
            gain = int((self._share(self.sight.zones[zone_id], view).assessed & left).sum())
            if gain and (best is None or gain > best[0]):
                best = gain, camera
        return None if best is None else best[1]

    def relied_on(self, zone_id: str, own: Sequence[str]) -> list[str]:
        """Cameras that a zone's assessment rests on: its own, and others, each as long as it adds something."""
        shares = self.shares.get(zone_id, {})
        named = [name for name in own if name in shares]
        if not shares:
            return named
        seen = np.any([shares[name].assessed for name in named], axis=0) if named else False
        others = sorted((name for name in shares if name not in named), key=lambda n: (-shares[n].assessed.sum(), n))
        for name in others:
            if np.any(shares[name].assessed & ~np.asarray(seen)):
                named.append(name)
                seen = shares[name].assessed | seen
        return named

    def posts_unseen(self) -> list[tuple[float, float]]:
        """Posts of heads whose foot no camera has in its picture at the class and in sight."""
        return [(float(x), float(y)) for x, y in self.ground.posts if not self._seen_at(np.array([x, y]))]

    @cached_property
    def _eyes(self) -> tuple[shapely.STRtree, list[tuple[CameraView, float]], float]:
        """Where the cameras stand, each with its reach, and the farthest reach: a border has thousands, few near."""
        every = list(self.views.values())
        places = shapely.points(np.array([np.asarray(view.place, float)[:2] for view, _ in every]).reshape(-1, 2))
        return shapely.STRtree(places), every, max((reach for _, reach in every), default=0.0)

    def _seen_at(self, place: NDArray[np.float64]) -> bool:
        # a post is looked at as a very short zone: both its ends stand on it
        ends = np.array([place, place + np.array([0.1, 0.0])])
        tree, every, farthest = self._eyes
        (x, y), beyond = place, farthest + 0.01  # the reach of each counts, below
        near = np.sort(tree.query(shapely.box(x - beyond, y - beyond, x + beyond, y + beyond)))
        return any(
            bool(self._share(ends, view).assessed.any())
            for view, reach in (every[k] for k in near)
            if np.hypot(*(place - np.asarray(view.place)[:2])) <= reach
        )

    def gates_unseen(self) -> list[tuple[int, float, float]]:
        """Gates not assessed from end to end: number, counted from 1, how much of it is not, and its length, m."""
        found = []
        for number, gate in enumerate(self.ground.gates, start=1):
            xy = shapely.get_coordinates(gate)
            ends = np.array([xy[0], xy[-1] if len(xy) > 1 else xy[0] + [0.1, 0.0]])
            if np.hypot(*(ends[1] - ends[0])) < 0.1:
                ends[1] = ends[0] + [0.1, 0.0]
            shares = [self._share(ends, view, _GATE_STEP_M).assessed for view, _ in self.views.values()]
            left = float((~np.any(shares, axis=0)).mean()) if shares else 1.0
            length = float(np.hypot(*(ends[1] - ends[0])))
            if left > 0:
                found.append((number, left * length, length))
        return found
