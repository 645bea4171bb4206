"""Walk-test numbers against published tables, scipy and statsmodels."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from geotools.errors import NumericInputError
from geotools.steps.walktest.judging import _threshold_words
from geotools.steps.walktest.kernel import binomial_bounds, estimate_threshold, trials_needed
from geotools.steps.walktest.placing import EVEN, WORST, plan_crossings
from geotools.steps.walktest.sequential import SequentialPlan

REFERENCE = tomllib.loads((Path(__file__).parents[2] / "reference" / "walk_test.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("table", REFERENCE["bounds"], ids=lambda t: t["source"][:12])
def test_bounds_of_printed_tables(table):
    for detected, trials, low, high in table["rows"]:
        bounds = binomial_bounds(detected, trials, table["confidence"], sided="two")
        assert np.allclose(bounds, (low, high), atol=table["tolerance"])


def test_bounds_agree_with_scipy_and_statsmodels():
    for n in (1, 7, 29, 60):
        for k in range(n + 1):
            ours = binomial_bounds(k, n, 0.95, sided="two")
            exact = scipy.stats.binomtest(k, n).proportion_ci(0.95, "exact")
            assert np.allclose(ours, (exact.low, exact.high), atol=1e-9)
            assert np.allclose(ours, proportion_confint(k, n, 0.05, "beta"), atol=1e-9)


@pytest.mark.parametrize("table", REFERENCE["trials"], ids=lambda t: f"{t['probability']} at {t['confidence']}")
def test_number_of_trials(table):
    found = [trials_needed(table["probability"], table["confidence"], f) for f in range(len(table["numbers"]))]
    assert found == table["numbers"]


def test_success_run_is_the_logarithm_formula():
    for p in (0.5, 0.8, 0.85, 0.9, 0.95, 0.99):
        for c in (0.5, 0.8, 0.9, 0.95, 0.99):
            assert trials_needed(p, c) == max(int(np.ceil(np.log(1 - c) / np.log(p))), 1)


def test_needed_number_is_the_edge_of_the_lower_bound():
    for failures in range(6):
        n = trials_needed(0.9, 0.95, failures)
        assert binomial_bounds(n - failures, n)[0] >= 0.9
        assert binomial_bounds(n - 1 - failures, n - 1)[0] < 0.9


def test_a_plan_without_a_miss_is_the_success_run():
    for p in (0.8, 0.9, 0.95):
        for c in (0.9, 0.95):
            assert SequentialPlan(p, c, 0).numbers == (trials_needed(p, c),)


def walked(plan, detected, tests=40_000, seed=0):
    """Tests walked to their decision, by the definition of Wald's test: shown or not, and after how many crossings.

    The ratio of the likelihoods of both hypotheses is followed crossing by crossing; nothing is asked of the plan but
    its figures.
    """
    rng = np.random.default_rng(seed)
    missed = rng.random((tests, plan.most)) >= detected
    with np.errstate(divide="ignore"):
        good = 1.0 if plan.failures == 0 else plan.good
        ratio = np.where(missed, np.log((1 - good) / (1 - plan.probability)), np.log(good / plan.probability))
    ratio, bound = np.cumsum(ratio, axis=1), -np.log(1 - plan.confidence)
    shown, lost = ratio >= bound - 1e-12, (ratio <= -bound + 1e-12) | (missed.cumsum(axis=1) > plan.failures)
    at = np.argmax(shown | lost, axis=1)
    return shown[np.arange(tests), at], at + 1


@pytest.mark.parametrize("failures", [0, 1, 3, 6])
@pytest.mark.parametrize(("probability", "confidence"), [(0.9, 0.95), (0.8, 0.9)])
def test_a_crew_that_stops_as_soon_as_it_may_errs_no_more_than_is_said(failures, probability, confidence):
    plan = SequentialPlan(probability, confidence, failures)
    shown, _ = walked(plan, probability)
    # a zone that just should not pass does so in 1 - confidence of the tests at most: 0.01 % tail of the binomial
    assert shown.sum() <= scipy.stats.binom.ppf(1 - 1e-4, 40_000, 1 - confidence)
    if failures == 6:
        # nor is a good zone turned down more often, where the plan has room for its misses
        shown, _ = walked(plan, plan.good)
        assert (~shown).sum() <= scipy.stats.binom.ppf(1 - 1e-4, 40_000, 1 - confidence)


@pytest.mark.parametrize("failures", [0, 2, 5])
@pytest.mark.parametrize("detected", [0.9, 0.97, 0.99])
def test_mean_and_most_crossings_are_those_of_tests_that_were_walked(failures, detected):
    plan = SequentialPlan(0.9, 0.95, failures)
    still, chance = plan.going_on(detected)
    shown, crossings = walked(plan, detected, seed=1)
    assert crossings.max() <= plan.most == still.size
    assert still.sum() == pytest.approx(crossings.mean(), abs=4 * crossings.std() / 200)
    assert chance == pytest.approx(shown.mean(), abs=4 * 0.5 / 200)


@pytest.mark.parametrize("failures", [1, 2, 3])
def test_the_test_takes_fewer_crossings_than_one_that_shares_its_risk_among_its_looks(failures):
    """Plans of equal shares of the risk, for 0.90 at 95 %: another way to allow for looking again after every miss."""
    shared = {1: (36, 48), 2: (39, 53, 65), 3: (42, 56, 69, 81)}[failures]
    plan = SequentialPlan(0.9, 0.95, failures)
    missed = (np.random.default_rng(2).random((40_000, shared[-1])) >= plan.good).cumsum(axis=1)
    at = np.arange(1, shared[-1] + 1)
    over = (missed > failures) | np.any([(missed <= k) & (at >= n) for k, n in enumerate(shared)], axis=0)
    assert plan.going_on(plan.good)[0].sum() < np.mean(np.argmax(over, axis=1) + 1)


def test_looking_after_every_miss_with_fixed_numbers_claims_too_much():
    # the numbers of one look each, taken as stages of one test, are what a sequential plan is there to avoid
    fixed = [trials_needed(0.9, 0.95, k) for k in range(4)]
    missed = (np.random.default_rng(0).random((40_000, fixed[-1])) >= 0.9).cumsum(axis=1)
    accepted = np.any([missed[:, n - 1] <= k for k, n in enumerate(fixed)], axis=0)
    assert accepted.mean() > 0.08


def test_further_crossings():
    # by hand: 0.99 against 0.90, ln 20 to decide; a detection is worth ln 1.1, a miss ln 10
    plan = SequentialPlan(0.9, 0.95, 1)
    assert plan.numbers == (math.ceil(math.log(20) / math.log(1.1)), 1 + math.ceil(math.log(200) / math.log(1.1)))
    assert plan.further(0, 0) == 32 and plan.further(32, 0) == 0 and plan.decided(32, 0)
    assert plan.further(32, 1) == 25 and not plan.decided(32, 1)
    assert plan.further(32, 2) is None and plan.decided(32, 2)
    # two of the first 18 are unlikely for a good zone: 2 ln 10 - 16 ln 1.1 is more than ln 20
    plan = SequentialPlan(0.9, 0.95, 2)
    assert plan.ended(18, 2) and not plan.ended(19, 2)


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


def test_stretches_of_the_worst_verdict_come_first_each_where_it_is_weakest():
    s = np.arange(0.0, 50.5, 0.5)
    m = np.full(s.size, 0.5)
    m[20], m[60], m[90] = 0.3, 0.1, 0.05
    undetected, unproven = (s >= 5) & (s <= 15), (s >= 25) & (s <= 35)
    stretches = {"undetected": undetected, "unproven": unproven}
    plan = plan_crossings(s, m, 10, worst_share=0.5, stretches=stretches)
    assert list(plan.reason[:3]) == ["undetected", "unproven", WORST]
    assert list(s[plan.index[:3]]) == [10.0, 30.0, 45.0]


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


def test_threshold_of_the_published_dose_response():
    bliss = REFERENCE["dose_response"]
    m = np.repeat(np.exp(bliss["log_dose"]), bliss["trials"])
    y = np.concatenate([np.arange(n) < k for n, k in zip(bliss["trials"], bliss["positive"], strict=True)])
    est = estimate_threshold(m, y)
    assert est.kind == "fitted"
    assert 1 / est.spread == pytest.approx(bliss["slope"], abs=bliss["slope_tolerance"])
    median = -bliss["intercept"] / bliss["slope"]
    assert np.log(est.m0) == pytest.approx(median, abs=bliss["median_tolerance"])


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
    assert wrong.kind == "unrelated" and np.isnan(wrong.m0) and wrong.missed == 12
    assert "the model does not explain this site" in _threshold_words(wrong, 0.2)


def test_one_miss_of_many_blames_its_place_and_not_the_model():
    m = np.linspace(0.3, 1.2, 435)
    seen = m != m[300]
    one = estimate_threshold(m, seen)
    said = _threshold_words(one, 0.2)
    assert one.kind == "unrelated" and one.missed == 1
    assert "1 crossing missed" in said and "does not explain" not in said and "agrees" not in said
    # one in twenty is where it turns
    for missed, blamed in ((21, False), (22, True)):
        seen = np.ones(435, bool)
        seen[-missed:] = False  # where most is predicted
        found = estimate_threshold(m, seen)
        assert found.kind == "unrelated" and found.missed == missed
        assert ("does not explain" in _threshold_words(found, 0.2)) == blamed


def test_results_without_prediction_are_refused():
    with pytest.raises(NumericInputError, match="usable prediction"):
        estimate_threshold(np.array([0.2, np.nan]), np.array([True, False]))
