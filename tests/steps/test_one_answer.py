"""Every step that says who gets through says what gaps says: run as a user would, from files, on forty invented sites.

The sites lie side by side in a few plans, each with fence lines of its own, so far apart that none meets another.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS
from shapely import LineString, Point

from geotools.corridor import BeamLine
from geotools.detection.chain import chain_vertices
from geotools.engine.runner import Job
from geotools.plan.model import Zone
from geotools.plan.schema import (
    ACCEPTANCE,
    ADVICE,
    BEAMS,
    CROSSINGS,
    DEAD_SPOTS,
    FENCE,
    GRADINGS,
    HEAD_HEIGHTS,
    HEADS,
    OPTIONS,
    WALK_PLAN,
    ZONES,
)
from geotools.plan.workspace import Workspace, frame_of
from geotools.site import open_site
from tests.detection.test_one_engine import SITES
from tests.making import line, write_fence, write_raster

LEFT, BOTTOM, SIZE = 500_000.0, 5_400_000.0, 200
#: Every fifth site in one plan: like sites stand beside each other in the list, and so come to different plans.
GROUPS = [list(SITES)[start::5] for start in range(5)]
SETTINGS = """
[detection]
half_width_m = 2.0

[grading]
build_tolerance_m = 0.0
settlement_m = 0.0
head_tolerance_m = 0.0
keep_fall = false
least_lift_m = 0.0
least_width_m = 0.0
keep_off_fence_m = 0.0

[survey]
draws = 0
"""


def shifted(zone: Zone, fence_id: str, east_m: float) -> Zone:
    """A zone on another fence line, so much farther east."""
    line = zone.line
    moved = BeamLine(line.x0 + east_m, line.y0, line.x1 + east_m, line.y1)
    return replace(zone, zone_id=zone.zone_id.replace(zone.fence_id, fence_id), fence_id=fence_id, line=moved)


def side_by_side(names: Sequence[str]) -> tuple[dict[str, str], list[Zone], Callable]:
    """Sites in one plan: the site that a fence line is of, every zone, and the ground over all of them."""
    site_of: dict[str, str] = {}
    zones = []
    for number, name in enumerate(names):
        own = SITES[name][0]
        for fence_id in dict.fromkeys(zone.fence_id for zone in own):
            new = f"F{len(site_of) + 1:02d}"
            site_of[new] = name
            zones += [shifted(zone, new, number * SIZE) for zone in own if zone.fence_id == fence_id]

    def height(x, y):
        number = np.clip((np.asarray(x) + 20.0) // SIZE, 0, len(names) - 1)
        parts = [SITES[name][1](x - k * SIZE, y) for k, name in enumerate(names)]
        return np.choose(number.astype(int), parts)

    return site_of, zones, height


def as_files(folder: Path, zones: Sequence[Zone], height: Callable, width_m: float) -> Path:
    """A site file with fence and terrain, and a plan with zones, heads and beams as they are invented."""
    # the site's own coordinates begin 20 m inside the raster's lower left, halfway up
    x = (np.arange(round(width_m * 2)) + 0.5) / 2 - 20.0
    y = (np.arange(SIZE * 2)[::-1] + 0.5) / 2 - SIZE / 2
    gx, gy = np.meshgrid(x, y)
    ground = (250.0 + height(gx, gy)).astype(np.float64)
    write_raster(folder / "terrain.tif", ground, cell=0.5, top=BOTTOM + SIZE / 2, left=LEFT - 20.0)
    fences = {}
    for fence_id in dict.fromkeys(zone.fence_id for zone in zones):
        members = [zone.along_fence for zone in zones if zone.fence_id == fence_id]
        fences[fence_id] = [(float(a), float(b)) for a, b in chain_vertices(members, closed=False)]
    write_fence(folder / "fence.geojson", [line(points, LEFT, BOTTOM) for points in fences.values()])
    site = folder / "site.toml"
    site.write_text(
        'name = "Invented"\nthreats = ["crawl", "prone"]\n\n[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\n'
        f"vertical_accuracy_m = 0.02\n{SETTINGS}"
    )
    rows: dict[str, list] = {"fence": [], "zones": [], "heads": [], "beams": []}
    for fence_id, points in fences.items():
        row = dict.fromkeys(FENCE.field_names) | {"fence_id": fence_id, "closed": False, "length_m": 1.0}
        rows["fence"].append(row | {"geometry": LineString([(LEFT + a, BOTTOM + b) for a, b in points])})
    for zone in zones:
        one = zone.line
        ends = [(LEFT + one.x0, BOTTOM + one.y0), (LEFT + one.x1, BOTTOM + one.y1)]
        levels = [250.0 + float(height(np.array(one.x0), np.array(one.y0))), 250.0]
        levels[1] = 250.0 + float(height(np.array(one.x1), np.array(one.y1)))
        rows["zones"].append(
            dict.fromkeys(ZONES.field_names)
            | {
                "zone_id": zone.zone_id,
                "fence_id": zone.fence_id,
                "number": zone.number,
                "length_m": one.length,
                "half_width_m": 2.0,
                "start_role": "transmitter" if zone.forward else "receiver",
                "levels": " ".join(p.level for p in zone.pairs),
                "geometry": type(one)(*ends[0], *ends[1]).rectangle(0.0, one.length, 2.0),
            }
        )
        for pair in zone.pairs:
            heads = []
            for (x0, y0), level, height_m, role, short in zip(
                ends,
                levels,
                (pair.tx_height_m, pair.rx_height_m),
                ("transmitter", "receiver"),
                ("TX", "RX"),
                strict=True,
            ):
                at_start = (role == "transmitter") == zone.forward
                heads.append(Point(x0, y0, level + height_m))
                rows["heads"].append(
                    dict.fromkeys(HEADS.field_names)
                    | {
                        "head_id": f"{zone.zone_id}-{short}-{pair.level}",
                        "zone_id": zone.zone_id,
                        "post_id": f"{zone.zone_id}-{'A' if at_start else 'B'}",
                        "role": role,
                        "level": pair.level,
                        "head_type": pair.head_type.name,
                        "band_ghz": pair.head_type.frequency_hz / 1e9,
                        "height_m": height_m,
                        "ground_m": level,
                        "polarisation": "vertical",
                        "geometry": heads[-1],
                    }
                )
            rows["beams"].append(
                dict.fromkeys(BEAMS.field_names)
                | {
                    "beam_id": f"{zone.zone_id}-{pair.level}",
                    "zone_id": zone.zone_id,
                    "level": pair.level,
                    "tx_head_id": f"{zone.zone_id}-TX-{pair.level}",
                    "rx_head_id": f"{zone.zone_id}-RX-{pair.level}",
                    "head_type": pair.head_type.name,
                    "band_ghz": pair.head_type.frequency_hz / 1e9,
                    "length_m": one.length,
                    "tx_height_m": pair.tx_height_m,
                    "rx_height_m": pair.rx_height_m,
                    "geometry": LineString(heads),
                }
            )
    plan = Workspace(folder / "out", CRS.from_epsg(32632))
    schemas = {"fence": FENCE, "zones": ZONES, "heads": HEADS, "beams": BEAMS}
    plan.write({schema: frame_of(schema, rows[key], plan.work_crs) for key, schema in schemas.items()})
    return site


def union_m(spots) -> dict[str, float]:
    """Metres of each zone that let any threat through, from the spots of every threat."""
    found = {}
    for zone_id, rows in spots.groupby("zone_id"):
        total, end = 0.0, -1.0
        for a, b in sorted(zip(rows.from_m, rows.to_m, strict=True)):
            total += max(b - max(a, end), 0.0)
            end = max(end, b)
        found[zone_id] = total
    return found


@pytest.mark.parametrize("names", GROUPS, ids=lambda names: f"{len(names)} sites from {names[0]}")
def test_every_step_says_what_gaps_says(names, tmp_path):
    site_of, zones, height = side_by_side(names)
    site = open_site(as_files(tmp_path, zones, height, len(names) * SIZE))

    def told(step: str, name: str) -> str:
        return f"{step}, {name} ({site_of[name[:3]]})"

    with Job(site, tmp_path / "out", overwrite=True) as job:
        for step in ("gaps", "heights", "remedy", "grade"):
            job.run(step)
        # gaps speaks of the heads and the ground that stand
        job.run("walktest", state="existing")
        job.run("asbuilt", survey=tmp_path / "terrain.tif", tolerance_m=0.5)
        read = job.workspace.read
        spots = read(DEAD_SPOTS)
        dead = union_m(spots)
        for row in read(HEAD_HEIGHTS).itertuples():
            assert row.dead_now_m == pytest.approx(dead.get(row.zone_id, 0.0), abs=1e-3), told("heights", row.beam_id)
        options = read(OPTIONS)
        weakest = read(CROSSINGS).groupby("zone_id").modulation.min()
        assert set(options.zone_id) == set(dead)
        for row in options.itertuples():
            said = told("remedy", row.option_id)
            assert row.dead_before_m == pytest.approx(dead[row.zone_id], abs=1e-3), said
            if row.option != "none":
                assert row.weakest_before == pytest.approx(weakest[row.zone_id], abs=1e-6), said
        # what remedy advises it advises of the places that gaps found, each with the length that is dead there
        advice = read(ADVICE).set_index("spot_id")
        assert set(advice.index) == set(spots.spot_id)
        for spot in spots.itertuples():
            said = told("advice", spot.spot_id)
            assert advice.dead_before_m[spot.spot_id] == pytest.approx(spot.to_m - spot.from_m, abs=1e-3), said
        for row in read(GRADINGS).itertuples():
            said = told("grade", row.zone_id)
            assert row.dead_before_m == pytest.approx(dead.get(row.zone_id, 0.0), abs=1e-3), said
            taken = options[(options.zone_id == row.zone_id) & options.recommended]
            assert row.dead_after_m == pytest.approx(taken.dead_after_m.iloc[0], abs=1e-3), said
        kept = json.loads((tmp_path / "out" / "summary.json").read_text())
        assert kept["steps"]["gaps"]["dead_spots"] == len(spots)
        # as built on the ground as it stands: zones whose heads stay as they are answer as gaps does
        moved = set(options[options.recommended & (options.option != "none")].zone_id)
        asked = 0
        for row in read(ACCEPTANCE).itertuples():
            near = {z for z in moved if z[:3] == row.zone_id[:3] and abs(int(z[-3:]) - int(row.zone_id[-3:])) <= 1}
            if not near:
                asked += 1
                said = told("asbuilt", row.zone_id)
                assert row.dead_built_m == pytest.approx(dead.get(row.zone_id, 0.0), abs=1e-3), said
        assert asked
        # a straight walk that the form expects to be missed lies in a dead spot of that threat
        missed = 0
        for row in read(WALK_PLAN).itertuples():
            if row.expected == "missed":
                missed += 1
                mine = spots[(spots.zone_id == row.zone_id) & (spots.threat == row.threat)]
                said = told("walktest", row.crossing_id)
                assert ((mine.from_m - 0.5 <= row.chainage_m) & (row.chainage_m <= mine.to_m + 0.5)).any(), said
        assert missed


def test_forty_sites_are_asked_and_none_meets_another():
    assert sum(len(names) for names in GROUPS) == len(SITES) >= 40
    for names in GROUPS:
        _, zones, _ = side_by_side(names)
        assert len({zone.zone_id for zone in zones}) == len(zones)
        place = {name: [] for name in names}
        site_of = side_by_side(names)[0]
        for zone in zones:
            place[site_of[zone.fence_id]] += [zone.line.x0, zone.line.x1]
        for left, right in pairwise(names):
            assert min(place[right]) - max(place[left]) > 20.0
