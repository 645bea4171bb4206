"""Law and threshold of a receiver, found from walks that a receiver of another law and threshold has answered."""

import shutil

import numpy as np
import pytest

import geotools
from geotools.detection.chains import perimeter_of
from geotools.detection.straight import straight_crossings
from geotools.engine.runner import Job
from geotools.steps.walktest.law import fit_law, law_words, predicted_by_law
from tests.steps.walktest.test_walktest_step import read_form, write_form


def walks(seed, law, threshold, spread):
    """Field and envelope of 300 crossings and what such a receiver says: |1 - s| and the swing of |1 - s| about 1.

    The share s that a body takes away has any phase, so that the two laws part where it stands square to the signal.
    """
    rng = np.random.default_rng(seed)
    size, phase = rng.uniform(0.03, 0.9, 300), rng.uniform(0.0, np.pi, 300)
    field, envelope = size, np.abs(np.abs(1.0 - size * np.exp(1j * phase)) - 1.0) + 1e-3
    moved = field if law == "field" else envelope
    chance = 1.0 / (1.0 + np.exp(-(np.log(moved) - np.log(threshold)) / spread))
    return field, envelope, rng.random(300) < chance


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("law", "threshold"), [("field", 0.37), ("envelope", 0.15), ("envelope", 0.41)])
def test_the_law_and_the_threshold_that_made_the_results_are_found(seed, law, threshold):
    fit = fit_law(*walks(seed, law, threshold, 0.15), confidence=0.999)
    assert fit.law == law
    assert fit.estimates[law].low <= threshold <= fit.estimates[law].high


def test_a_setting_is_asked_for_only_where_the_walk_contradicts_it():
    fit = fit_law(*walks(0, "field", 0.37, 0.15))
    own = fit.estimates["field"]
    assert own.low < 0.37 < own.high < 0.9
    agreed = law_words(fit, {"field": 0.37, "envelope": 0.2})
    assert "0.37 (detection.threshold) agrees with that" in agreed and "set detection.threshold" not in agreed
    told = law_words(fit, {"field": 0.9, "envelope": 0.2})
    assert "set detection.threshold, then run gaps again" in told and "agrees" not in told


def test_results_that_both_laws_explain_name_none():
    field = np.linspace(0.05, 0.8, 60)
    fit = fit_law(field, 0.5 * field, field > 0.3)
    assert fit.law == "either" and fit.difference == 0.0
    assert fit.estimates["envelope"].m0 == pytest.approx(0.5 * fit.estimates["field"].m0)


def test_results_that_follow_nothing_are_said_so():
    rng = np.random.default_rng(3)
    fit = fit_law(rng.uniform(0.05, 0.8, 80), rng.uniform(0.05, 0.8, 80), np.arange(80) % 2 == 0)
    assert fit.law == "neither"


def test_a_walked_plan_says_the_law_of_its_receivers(laid_out, tmp_path):
    shutil.copytree(laid_out, tmp_path / "demo")
    site, out = geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"
    geotools.run_step("walktest", site, out)
    rows = read_form(out / "walk_test.csv")
    with Job(site, out) as job:
        perimeter = perimeter_of(site, job.workspace.read, job.terrain)
    perimeter.solve_all()
    places = [{**row, "chainage_m": float(row["chainage_m"])} for row in rows]
    *_, counts = predicted_by_law(places, perimeter)
    zones = {zone_id: straight_crossings(perimeter, zone_id) for zone_id in perimeter.zones}
    for row, place in zip(rows, places, strict=True):
        swing = zones[row["zone_id"]][row["threat"]].swing
        moved = np.interp(place["chainage_m"], perimeter.grids[row["zone_id"]].chainage_m, swing)
        row.update(result="detected" if moved >= 0.33 else "missed", walked_on="2027-05-03", walker="A. Walker")
    write_form(out / "filled.csv", rows)
    outcome = geotools.run_step("walktest", site, out, overwrite=True, results=out / "filled.csv")
    found = outcome.summary["receiver_law"]
    assert 0 < found["trials"] == counts.sum() < len(rows)
    assert found["law"] == "envelope"
    assert found["envelope"]["low"] <= 0.33 + 0.01 and found["envelope"]["high"] >= 0.33 - 0.01
    assert any("detection.envelope_threshold" in note for note in outcome.notes)
