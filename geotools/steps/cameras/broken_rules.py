"""Rules of assessment that are broken, as rows of the layer ``conflicts``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely import Point

from geotools.steps.cameras.assessment import Assessment
from geotools.steps.cameras.sight import SHORT_M, Camera, Sight

__all__ = ["other_conflicts", "zone_conflicts"]

Row = dict[str, Any]


def _row(rule: str, name: str, zone_id: str, words: tuple[str, str, str], at: Point) -> Row:
    """``words`` : what was found, what is expected, how to mend it."""
    return {
        "conflict_id": f"{rule.replace(' ', '-')}/{name}",
        "step": "cameras",
        "rule": rule,
        "zone_id": zone_id,
        "head_ids": "",
        "found": words[0],
        "expected": words[1],
        "mend": words[2],
        "geometry": at,
    }


def zone_conflicts(sight: Sight, cameras: Sequence[Camera], rows: Sequence[Row], seen: Assessment) -> list[Row]:
    """Zones that are not assessed in full."""
    found = []
    reach: dict[str, float] = {row["camera_id"]: row["longest_zone_m"] for row in rows}
    of_zone: dict[str, list[Camera]] = {}
    for camera in cameras:
        of_zone.setdefault(camera.zone_id, []).append(camera)
    for zone_id, (a, b) in sight.zones.items():
        length = sight.length(zone_id)
        uncovered, middle = seen.uncovered(zone_id, length)
        if uncovered < SHORT_M:
            continue
        own = of_zone.get(zone_id, [])
        names = [camera.camera_id for camera in own]
        longest = max((reach[name] for name in names), default=0.0)
        short = [camera for camera in own if camera.lens_mm < camera.needed_mm * 0.999]
        words = (
            f"{uncovered:.1f} m of {length:.1f} m not assessed at class {sight.settings.required_class}"
            + (f"; cameras {', '.join(names)} reach {longest:.0f} m" if names else "; no camera looks along it"),
            f"{sight.density:g} px/m in sight everywhere",
            f"a lens of {max(c.needed_mm for c in short):.1f} mm or a sensor with more pixels"
            if short
            else "a camera from another side, a higher mast, or one farther back",
        )
        at = Point(a + (b - a) * middle / length)
        found.append(_row("zone not assessed in full", zone_id, zone_id, words, at))
    return found


def other_conflicts(sight: Sight, cameras: Sequence[Camera], seen: Assessment) -> list[Row]:
    """Posts and gates that no camera sees; cameras that have no place of their own, or stand where none may."""
    found, names = [], list(sight.zones)
    tree = shapely.STRtree([shapely.LineString(ends) for ends in sight.zones.values()])

    def zone_at(at: Point) -> str:
        # of several equally near the first
        return names[int(tree.query_nearest(at).min())]

    sees = f"in the picture at class {sight.settings.required_class}, in sight"
    for x, y in seen.posts_unseen():
        at = Point(x, y)
        words = (f"no camera sees the post at x {x:.2f}, y {y:.2f} m", sees, "a camera farther back, or a wider lens")
        found.append(_row("post not assessed", f"{x:.2f}/{y:.2f}", zone_at(at), words, at))
    for number, left, length in seen.gates_unseen():
        middle = seen.ground.gates[number - 1].centroid
        words = (
            f"{left:.1f} m of {length:.1f} m of gate {number} not assessed",
            sees,
            "a camera of its own for the gate, given with cameras.positions",
        )
        found.append(_row("gate not assessed", str(number), zone_at(middle), words, middle))
    for name in sight.placeless:
        words = (
            "no place of its own beside the zone: the camera is drawn at its end",
            f"{sight.settings.access_m:g} m free of fences, keep-outs and head posts, "
            f"{sight.settings.beam_clear_m:g} m off the beams, within {sight.settings.stand_back_m:g} m",
            "a bracket on the head post (cameras.on_head_posts), a mast outside the clear ground (cameras.positions)",
        )
        found.append(_row("camera without a place", name, name, words, Point(sight.zones[name][0])))
    for camera in (camera for camera in cameras if camera.given):
        place = np.array([[camera.x, camera.y]])
        if shapely.intersects_xy(seen.ground.kept_off, *place[0]):
            words = (
                f"camera {camera.camera_id} stands on {seen.ground.named(place[0])}",
                "no camera there",
                "move the camera",
            )
            found.append(_row("camera where none may stand", camera.camera_id, camera.zone_id, words, Point(place[0])))
    return found
