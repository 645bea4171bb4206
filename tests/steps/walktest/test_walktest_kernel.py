"""Walk-test numbers against published tables, scipy and statsmodels."""

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from geotools.errors import NumericInputError
from geotools.steps.walktest.kernel import (
    EVEN,
    WORST,
    binomial_bounds,
    estimate_threshold,
    further_trials,
    plan_crossings,
    trials_needed,
)


def test_bounds_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1: 4 of 20, exact two-sided 90 % limits
    low, high = binomial_bounds(4, 20, 0.90, sided="two")
    assert low == pytest.approx(0.071354, abs=1e-5)
    assert high == pytest.approx(0.401029, abs=1e-5)


# Clopper and Pearson limits, two-sided 95 %, printed to four places in Documenta Geigy, Scientific Tables,
# 7th ed., "Exact confidence limits for p" (values from memory)
GEIGY = [(5, 10, 0.1871, 0.8129), (9, 10, 0.5550, 0.9975), (0, 10, 0.0, 0.3085), (15, 20, 0.5090, 0.9134)]


@pytest.mark.parametrize(("k", "n", "low", "high"), GEIGY)
def test_bounds_of_printed_tables(k, n, low, high):
    assert np.allclose(binomial_bounds(k, n, 0.95, sided="two"), (low, high), atol=6e-5)


def test_bounds_agree_with_scipy_and_statsmodels():
    for n in (1, 7, 29, 60):
        for k in range(n + 1):
            ours = binomial_bounds(k, n, 0.95, sided="two")
            exact = scipy.stats.binomtest(k, n).proportion_ci(0.95, "exact")
            assert np.allclose(ours, (exact.low, exact.high), atol=1e-9)
            assert np.allclose(ours, proportion_confint(k, n, 0.05, "beta"), atol=1e-9)


# One-sided 95 % / 95 %: 59, 93, 124, 153, 181: W. T. Nutt and G. B. Wallis, Reliability Engineering & System
# Safety 83 (2004), table 1 (from memory). 0.90 at 95 %: 29, 46, 61, 76, 89, 103: the same theory, sample sizes
# for reliability demonstration printed in acceptance-test handbooks (from memory). 22: the 0.90/90 % success run.
@pytest.mark.parametrize(
    ("probability", "confidence", "numbers"),
    [(0.95, 0.95, [59, 93, 124, 153, 181]), (0.90, 0.95, [29, 46, 61, 76, 89, 103]), (0.90, 0.90, [22, 38, 52])],
)
def test_number_of_trials(probability, confidence, numbers):
    assert [trials_needed(probability, confidence, f) for f in range(len(numbers))] == numbers


def test_success_run_is_the_logarithm_formula():
    for p in (0.5, 0.8, 0.85, 0.9, 0.95, 0.99):
        for c in (0.5, 0.8, 0.9, 0.95, 0.99):
            assert trials_needed(p, c) == max(int(np.ceil(np.log(1 - c) / np.log(p))), 1)


def test_needed_number_is_the_edge_of_the_lower_bound():
    for failures in range(6):
        n = trials_needed(0.9, 0.95, failures)
        assert binomial_bounds(n - failures, n)[0] >= 0.9
        assert binomial_bounds(n - 1 - failures, n - 1)[0] < 0.9


def test_further_trials():
    assert further_trials(0, 0) == 29
    assert further_trials(29, 29) == 0
    assert further_trials(28, 29) == 46 - 29
    assert further_trials(45, 46) == 0


@pytest.mark.parametrize(("k", "n"), [(3, 2), (-1, 5), (1, 0), (1.5, 3)])
def test_impossible_counts_are_refused(k, n):
    with pytest.raises(NumericInputError, match="do not fit"):
        binomial_bounds(k, n)


def test_plan_visits_the_weakest_first_then_covers_evenly():
    s = np.arange(0.0, 100.5, 0.5)
    m = np.full(s.size, 0.5)
    m[np.abs(s - 30) < 3] = 0.05
    m[np.abs(s - 71) < 1] = 0.10
    plan = plan_crossings(s, m, 29, worst_share=0.2, separation=5.0)
    assert plan.index.size == 29
    # two weak spots, each a flat bottom: crossed once, in the middle, the weaker first; nothing else is called weak
    assert list(s[plan.index[plan.reason == WORST]]) == [30.0, 71.0]
    chosen = np.sort(s[plan.index])
    assert chosen[0] == 0 and chosen[-1] == 100
    assert np.diff(chosen).max() <= 2 * 100 / 28  # farthest-point filling leaves no hole over twice the even one
    assert list(plan.reason) == sorted(plan.reason, key=lambda r: r != WORST)


def test_plan_with_more_trials_than_places_starts_again_with_the_weakest():
    plan = plan_crossings(np.array([0.0, 10.0, 20.0]), np.array([0.5, 0.1, 0.4]), 5, worst_share=0.4)
    assert list(plan.index[:3]) == [1, 0, 2]
    assert list(plan.index[3:]) == list(plan.index[:2])


def test_plan_without_predictions_is_even_cover():
    plan = plan_crossings(np.arange(11.0), np.full(11, np.nan), 3)
    assert sorted(plan.index) == [0, 5, 10]
    assert set(plan.reason) == {EVEN}


def test_unordered_places_are_refused():
    with pytest.raises(NumericInputError, match="rising"):
        plan_crossings(np.array([0.0, 0.0]), np.array([0.1, 0.2]), 3)


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 80), st.integers(1, 60), st.floats(0, 1))
def test_plan_never_repeats_a_place_before_all_are_used(places, trials, share):
    rng = np.random.default_rng(places)
    s = np.arange(float(places))
    plan = plan_crossings(s, rng.random(places), trials, worst_share=share)
    assert plan.index.size == trials
    assert len(set(plan.index[:places])) == min(trials, places)


# C. I. Bliss (1935) beetle mortality, as tabled in A. J. Dobson, An Introduction to Generalized Linear Models,
# table 7.2, logistic fit in table 7.4: intercept -60.72, slope 34.27 (values from memory)
DOSE = [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839]
BEETLES = [59, 60, 62, 56, 63, 59, 62, 60]
KILLED = [6, 13, 18, 28, 52, 53, 61, 60]


def bliss():
    m = np.repeat(np.exp(DOSE), BEETLES)
    y = np.concatenate([np.arange(n) < k for n, k in zip(BEETLES, KILLED, strict=True)])
    return m, y


def test_threshold_of_the_published_dose_response():
    m, y = bliss()
    est = estimate_threshold(m, y)
    assert est.kind == "fitted"
    assert 1 / est.spread == pytest.approx(34.27, abs=0.01)
    assert np.log(est.m0) == pytest.approx(60.717 / 34.270, abs=1e-4)


def test_threshold_agrees_with_statsmodels():
    rng = np.random.default_rng(5)
    m = np.exp(rng.normal(np.log(0.2), 0.6, 400))
    y = rng.random(400) < 1 / (1 + np.exp(-(np.log(m) - np.log(0.2)) / 0.25))
    fit = sm.Logit(y.astype(float), sm.add_constant(np.log(m))).fit(disp=0)
    est = estimate_threshold(m, y)
    assert est.m0 == pytest.approx(np.exp(-fit.params[0] / fit.params[1]), rel=1e-5)
    assert est.spread == pytest.approx(1 / fit.params[1], rel=1e-5)
    # delta-method interval of statsmodels' covariance: asymptotically the profile interval
    g = np.array([-1 / fit.params[1], fit.params[0] / fit.params[1] ** 2])
    half = 1.96 * np.sqrt(g @ fit.cov_params() @ g)
    assert np.log(est.low) == pytest.approx(np.log(est.m0) - half, abs=0.15 * half)
    assert np.log(est.high) == pytest.approx(np.log(est.m0) + half, abs=0.15 * half)


def test_interval_covers_the_truth_about_as_often_as_it_says():
    rng = np.random.default_rng(11)
    hits = fitted = 0
    for _ in range(150):
        m = np.exp(rng.uniform(np.log(0.05), np.log(0.8), 60))
        y = rng.random(60) < 1 / (1 + np.exp(-(np.log(m) - np.log(0.2)) / 0.3))
        est = estimate_threshold(m, y)
        if est.kind == "fitted":
            fitted += 1
            hits += est.low <= 0.2 <= est.high
    assert fitted > 140
    # 150 draws at 95 %: 0.01 % tail of the binomial
    assert hits >= scipy.stats.binom.ppf(1e-4, fitted, 0.95)


def test_threshold_where_results_cannot_place_it():
    assert estimate_threshold(np.array([0.3, 0.4]), np.array([True, True])).high == 0.3
    assert estimate_threshold(np.array([0.3, 0.4]), np.array([False, False])).low == 0.4
    apart = estimate_threshold(np.array([0.1, 0.4, 0.5]), np.array([False, True, True]))
    assert (apart.kind, apart.low, apart.high) == ("separated", 0.1, 0.4)
    assert apart.m0 == pytest.approx(0.2)
    m = np.array([0.1, 0.2, 0.3, 0.4] * 6)
    wrong = estimate_threshold(m, m < 0.25)
    assert wrong.kind == "unrelated" and np.isnan(wrong.m0)


def test_results_without_prediction_are_refused():
    with pytest.raises(NumericInputError, match="usable prediction"):
        estimate_threshold(np.array([0.2, np.nan]), np.array([True, False]))
