"""Head heights from walks that the engine's own field has answered; red where a head is named without cause."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules, moved_heads
from geotools.detection.perimeter import Perimeter
from geotools.detection.straight import straight_by_heads, straight_crossings
from geotools.plan.model import BeamPair, Zone
from geotools.steps.walktest import together
from geotools.steps.walktest.heads import moves_tried
from geotools.steps.walktest.law import fit_law, predicted_by_law
from tests.invented_ground import Formula

LOW = BeamPair("low", HEAD_TYPES["24 GHz"], 0.30, 0.33)
ZONES = [Zone(f"Z{n + 1}", BeamLine(100.0 * n, 2.0, 100.0 * n + 60.0, 2.0), (LOW,), "F01", n + 1) for n in range(3)]
RULES = Rules(0.2, 2.0, 0.5, {name: TARGETS[name] for name in ("crawl", "prone")})
TRUE_M0, TOLERANCE_M = 0.5, 0.02


def waves(x, y):
    return 0.06 * np.sin(x / 4.0) - 0.16 * np.exp(-((((x % 100.0) - 50.0) / 9.0) ** 2)) + 0.0 * y


@pytest.fixture(scope="module")
def site():
    """The perimeter as stated, whose tables of moved heads are made once."""
    perimeter = Perimeter(ZONES, Formula(waves, cell_m=0.25), RULES)
    tables = {zone.zone_id: straight_by_heads(perimeter, zone.zone_id, moves_tried()) for zone in ZONES}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(together, "straight_by_heads", lambda perimeter, zone_id, moves: tables[zone_id])
        yield perimeter


def walked(site, low_by, seed, spread=0.1):
    """A crossing each half metre of every zone, answered by heads that hang lower than stated."""
    rng = np.random.default_rng(seed)
    moved = [moved_heads(z, np.array([[-low_by.get(z.zone_id, (0, 0))[end] for end in (0, 1)]])) for z in ZONES]
    truth = Perimeter(moved, site.ground, RULES)
    rows = []
    for zone in ZONES:
        for threat, found in straight_crossings(truth, zone.zone_id).items():
            x = truth.grids[zone.zone_id].chainage_m
            for place in np.arange(1.0, 59.5, 0.5):
                m = max(float(np.interp(place, x, found.modulation)), 1e-3)
                alarms = rng.random() < 1.0 / (1.0 + (m / TRUE_M0) ** (-1.0 / spread))
                result = "detected" if alarms else "missed"
                rows.append({"zone_id": zone.zone_id, "threat": threat, "chainage_m": place, "result": result})
    return rows


def off(site, rows):
    fits, law = together.fit_together(rows, site, TOLERANCE_M)
    heads = together.head_rows(fits, law, site)
    return fits, law, {row["head_id"]: row for row in heads}


@pytest.mark.parametrize("seed", range(4))
def test_a_receiver_hung_six_centimetres_low_is_found_within_two_centimetres(site, seed):
    rows = walked(site, {"Z2": (0.0, 0.06)}, seed)
    fits, law, heads = off(site, rows)
    assert {name for name, row in heads.items() if row["state"] == "off"} == {"Z2-RX-low"}
    assert heads["Z2-RX-low"]["offset_m"] == pytest.approx(-0.06, abs=0.02)
    assert heads["Z2-RX-low"]["half_m"] < 0.03
    assert fits["field"].low < TRUE_M0 < fits["field"].high
    said = " ".join(together.together_words(list(heads.values()), fits, law))
    assert "Z2-RX-low hangs 0.0" in said and "lower than stated" in said and "another threshold" in said


@pytest.mark.parametrize("seed", range(4))
def test_heads_that_hang_as_stated_are_not_accused(site, seed):
    fits, law, heads = off(site, walked(site, {}, seed))
    assert not {name for name, row in heads.items() if row["state"] in ("off", "not separated")}
    assert "no head is shown" in " ".join(together.together_words(list(heads.values()), fits, law))
    assert all(row["stated_m"] in (0.30, 0.33) for row in heads.values())


def test_a_head_of_which_the_walk_says_nothing_is_not_said_to_agree(site):
    # lower transmitters leave what is detected as it is on this ground
    fits, law, heads = off(site, walked(site, {"Z2": (0.06, 0.0)}, 0))
    assert heads["Z2-TX-low"]["state"] == "not shown" and heads["Z2-TX-low"]["would_show_m"] is None
    said = " ".join(together.together_words(list(heads.values()), fits, law))
    silent = sum(row["state"] == "not shown" for row in heads.values())
    assert f"says nothing of {silent}" in said


def test_the_field_of_moved_heads_is_the_engines_own(site):
    """Between the heights solved, as far off as 0.1 m: the polynomial against the engine."""
    moved = replace(ZONES[1], pairs=(replace(LOW, tx_height_m=0.35, rx_height_m=0.23),))
    truth = straight_crossings(Perimeter([moved], site.ground, RULES), "Z2")
    table = together.straight_by_heads(site, "Z2", moves_tried())
    inverse = np.linalg.inv(np.polynomial.chebyshev.chebvander(moves_tried() / 0.15, 6))
    at = [np.polynomial.chebyshev.chebvander(np.array([move / 0.15]), 6)[0] @ inverse for move in (0.05, -0.10)]
    for threat, (field, swing) in table.items():
        for values, exact in ((field, truth[threat].modulation), (swing, truth[threat].swing)):
            found = np.einsum("a,b,abn->n", at[0], at[1], values[0])
            # ten centimetres are five times the tolerance; the swing has kinks that no polynomial follows
            assert np.median(np.abs(found - exact)) < 0.01 and np.abs(found - exact).max() < 0.04


def test_results_that_the_model_explains_accuse_no_head(site):
    rows = walked(site, {}, 0)
    by_field, by_envelope, counts = predicted_by_law(rows, site)
    assert together.explained(fit_law(by_field[counts], by_envelope[counts], by_field[counts] > 0.4))
    results = np.array([row["result"] == "detected" for row in rows])
    assert not together.explained(fit_law(by_field[counts], by_envelope[counts], results[counts]))
