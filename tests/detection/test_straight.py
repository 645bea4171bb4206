"""What receivers get of a straight crossing, against the field of the beam taken by itself."""

import numpy as np
import pytest

from geotools.beam import TARGETS, HeadType, solve_beam
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.detection.perimeter import Perimeter
from geotools.detection.straight import straight_by_heads, straight_crossings
from geotools.plan.model import BeamPair, Zone

HEADS = HeadType("24 GHz", 24.125e9, 3.5, 3.5, 300.0)
LINE = BeamLine(0.0, 0.0, 80.0, 0.0)


class Flat:
    cell_m = 0.5

    def sample(self, x, y):
        return np.zeros(np.shape(x))


@pytest.fixture(scope="module")
def zone():
    # heads at two heights, so that a swap of the ends would show
    return Zone("F01-Z001", LINE, (BeamPair("low", HEADS, 0.32, 0.45),), "F01", 1)


def test_field_and_envelope_of_one_beam_are_those_of_its_own_field(zone):
    targets = {name: TARGETS[name] for name in ("crawl", "prone")}
    perimeter = Perimeter([zone], Flat(), Rules(0.2, 2.0, 0.5, targets))
    grid = perimeter.grids[zone.zone_id]
    field = solve_beam(HEADS, grid.chainage_m, np.zeros(grid.chainage_m.size), 0.32, 0.45)
    found = straight_crossings(perimeter, zone.zone_id)
    for name, target in targets.items():
        taken = field.cut_grid(target, grid.offset_m, np.zeros((grid.chainage_m.size, 1)))
        level = np.abs(field.quiet_level - taken)
        level = np.append(level, np.full((len(level), 1), field.quiet_level), axis=1)
        assert np.abs(found[name].modulation - np.abs(taken).max(axis=1)).max() < 2e-3
        assert np.abs(found[name].swing - np.ptp(level, axis=1)).max() < 2e-3
        assert np.abs(found[name].swing - found[name].modulation).max() > 0.05, "the laws part somewhere"
        assert (found[name].beside == 0.0).all()


def test_heads_mounted_otherwise_give_what_a_zone_with_such_heads_gives():
    """Each pair by itself, the transmitter's move first: every answer is that of a site drawn with those heights."""
    pairs = (BeamPair("low", HEADS, 0.32, 0.45), BeamPair("main", HEADS, 0.80, 0.70))
    rules = Rules(0.2, 1.0, 1.0, {name: TARGETS[name] for name in ("crawl", "prone")})
    line = BeamLine(0.0, 0.0, 30.0, 0.0)
    moves = np.array([-0.1, 0.0, 0.15])
    found = straight_by_heads(Perimeter([Zone("Z", line, pairs, "F", 1)], Flat(), rules), "Z", moves)
    assert list(found) == ["crawl", "prone"]
    for number, pair in enumerate(pairs):
        for a, tx in enumerate(moves):
            for b, rx in enumerate(moves):
                alone = BeamPair(pair.level, HEADS, pair.tx_height_m + tx, pair.rx_height_m + rx)
                other = straight_crossings(Perimeter([Zone("Z", line, (alone,), "F", 1)], Flat(), rules), "Z")
                for threat, (modulation, swing) in found.items():
                    assert modulation.shape == swing.shape == (2, 3, 3, 31)
                    assert modulation[number, a, b] == pytest.approx(other[threat].modulation, abs=1e-6)
                    assert swing[number, a, b] == pytest.approx(other[threat].swing, abs=1e-6)
