"""A chain of zones moved, turned, mirrored and looked at from its other end has the same answer, node by node."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import BeamPair, Zone
from tests.invented_ground import Formula
from tests.metamorphic.placing import Placing, ground, matrix_of, write_site

PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.45, 0.30)
RULES = Rules(0.5, 2.0, 0.5, {"prone": TARGETS["prone"]})
#: Ends of two overlapping zones in the site's frame, m; one dip lies on each.
ENDS = np.array([[(0.0, 1.5), (40.0, 1.5)], [(32.0, 1.5), (62.0, 3.0)]])


def perimeter_of(placing: Placing) -> Perimeter:
    turn = matrix_of(placing)
    zones = []
    for number, ends in enumerate(ENDS, 1):
        (x0, y0), (x1, y1) = ends @ turn.T + placing.shift_m
        zone = Zone(f"Z{number}", BeamLine(x0, y0, x1, y1), (PAIR,), "F01", number)
        if placing.backwards:
            other = replace(PAIR, tx_height_m=PAIR.rx_height_m, rx_height_m=PAIR.tx_height_m)
            zone = replace(zone, line=zone.line.reversed(), pairs=(other,), forward=False)
        zones.append(zone)

    def level(x, y):
        own = (np.stack([x, y], axis=-1) - placing.shift_m) @ turn
        return ground(own[..., 0], own[..., 1])

    return Perimeter(zones, Formula(level, cell_m=0.5), RULES)


BASE = perimeter_of(Placing())
#: Stations dead with a hundredth of the threshold to spare, and with a hundredth short of it.
DEAD = {z: [BASE.dead(z, headroom=share)["prone"] for share in (-0.01, 0.01)] for z in BASE.zones}

PLACED = st.builds(
    Placing,
    shift_m=st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)),
    turn_deg=st.floats(0.0, 360.0),
    mirrored=st.booleans(),
    backwards=st.booleans(),
)


@settings(max_examples=8, deadline=None, derandomize=True, database=None)
@given(PLACED)
def test_where_a_chain_lies_and_from_which_end_it_is_looked_at_changes_no_answer(placing):
    placed = perimeter_of(placing)
    for zone_id in ("Z1", "Z2"):
        expected, found = BASE.seen(zone_id)["prone"], placed.seen(zone_id)["prone"]
        surely, there, perhaps = DEAD[zone_id][0], placed.dead(zone_id)["prone"], DEAD[zone_id][1]
        if placing.backwards:
            found, there = found[::-1, ::-1], there[::-1]
        if placing.mirrored:
            found = found[:, ::-1]
        # of modulations up to 1; what a neighbour gives is looked up between its nodes
        assert np.abs(found - expected).max() < 2e-3
        # what goes along the beam line counts as right of it, where it leaves it: mirrored, that is somewhere else
        if not placing.mirrored:
            assert placed.weakest(zone_id) == pytest.approx(BASE.weakest(zone_id), abs=2e-3)
            assert (surely <= there).all() and (there <= perhaps).all()
    weakest = [min(one.weakest(zone_id) for zone_id in ("Z1", "Z2")) for one in (placed, BASE)]
    assert weakest[0] == pytest.approx(weakest[1], abs=2e-3)


def test_there_is_something_to_be_found_in_either_zone():
    assert all(0.05 < dead.mean() < 0.95 for dead, _ in DEAD.values())


def test_sites_put_down_differ_in_their_files_alone(tmp_path):
    usual = write_site(tmp_path / "a", Placing())
    moved = write_site(tmp_path / "b", Placing(turn_deg=30.0, system="feet"))
    assert usual.read_text(encoding="utf-8") == moved.read_text(encoding="utf-8")
    names = ("fence.geojson", "terrain.tif")
    assert all((usual.parent / name).read_bytes() != (moved.parent / name).read_bytes() for name in names)


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("halved", [False, True])
@pytest.mark.parametrize("split", [1, 2, 3])
def test_a_line_that_is_split_has_the_same_places_drawn_as_two_that_meet(tmp_path, split, backwards, halved):
    lines = []
    for at in (0, split):
        placing = Placing(opened=True, split=at, backwards=backwards, halved=halved, mirrored=True, noise_m=1e-6)
        site = write_site(tmp_path / str(at), placing)
        assert f'side = "{"left" if backwards else "right"}"' in site.read_text(encoding="utf-8")
        drawn = json.loads((site.parent / "fence.geojson").read_text(encoding="utf-8"))["features"]
        lines.append([np.array(one["geometry"]["coordinates"]) for one in drawn])
    (whole,), (first, second) = lines
    assert (first[-1] == second[0]).all()
    assert np.abs(np.vstack([first, second[1:]]) - whole).max() < 3e-6
