"""Weighted kappa, its standard error and shares against scikit-learn, statsmodels and drawn readings."""

import math

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from assessor.grading.agreement import AgreementSettings, ReadPair, agree, weighted_kappa


def readings(n, seed, sd, off=0.0):
    """Two readers, half grades from 1 to 10, each `sd` grades off the floor by chance."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(1.0, 6.0, n)
    return (np.clip(np.round(2 * (true + rng.normal(0, sd, n) + o)) / 2, 1, 10) for o in (off, 0.0))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("n", "sd", "off"), [(15, 0.3, 0.0), (40, 0.7, 0.5), (200, 1.5, -1.0)])
def test_kappa_and_its_error_are_what_the_libraries_say(n, sd, off, seed):
    first, second = readings(n, seed, sd, off)
    value, u = weighted_kappa(first, second, [str(k) for k in range(n)])
    halves = np.arange(2, 21)
    a, b = (2 * first).astype(int), (2 * second).astype(int)
    assert value == pytest.approx(cohen_kappa_score(a, b, labels=halves, weights="quadratic"), abs=1e-12)
    table = np.zeros((19, 19))
    np.add.at(table, (a - 2, b - 2), 1)
    theirs = cohens_kappa(table, wt="quadratic")
    assert value == pytest.approx(theirs.kappa, abs=1e-12)
    assert u == pytest.approx(theirs.std_kappa, rel=1e-9)


def test_shares_are_statsmodels_wilson():
    first, second = readings(40, 3, 0.7)
    found = agree([ReadPair(str(k), a, b) for k, (a, b) in enumerate(zip(first, second, strict=True))])
    exact, near = int((first == second).sum()), int((abs(first - second) <= 1).sum())
    for share, hits in ((found.exact, exact), (found.within_one, near)):
        assert (share.low95, share.high95) == pytest.approx(proportion_confint(hits, 40, method="wilson"))


def held(n, sd, sets=400):
    """Share of drawn sets whose interval holds the true kappa: on Fisher's scale, and on the plain one."""
    true, _ = weighted_kappa(*readings(200_000, 99, sd), np.zeros(200_000).astype(str))
    fisher = plain = 0
    for seed in range(sets):
        first, second = readings(n, seed, sd)
        pairs = [ReadPair(str(k), a, b) for k, (a, b) in enumerate(zip(first, second, strict=True))]
        kappa = agree(pairs, settings=AgreementSettings(least_for_kappa=5)).kappa
        fisher += kappa.low95 <= true <= kappa.high95
        plain += abs(kappa.value - true) <= 1.96 * kappa.u
    return fisher / sets, plain / sets


@pytest.mark.slow
def test_intervals_hold_the_true_kappa_about_as_often_as_they_say():
    found = np.array([held(n, sd) for n in (20, 30, 60) for sd in (0.3, 0.7, 1.2)])
    # 95 % is promised; 400 sets tell 0.95 to +-0.02. The large-sample error is a little small at few spots.
    assert found[:, 0].min() > 0.89
    assert found[:, 0].mean() > 0.925
    assert found[:, 0].mean() > found[:, 1].mean() + 0.005
    # Why fewer than 15 spots get no kappa.
    assert np.mean([held(10, sd)[0] for sd in (0.3, 0.7, 1.2)]) < 0.93


def test_no_agreement_beyond_chance_is_kappa_zero():
    rng = np.random.default_rng(5)
    grades = rng.integers(2, 20, (2, 4000)) / 2
    value, u = weighted_kappa(*grades, [str(k) for k in range(4000)])
    assert abs(value) < 3 * u
    assert u == pytest.approx(1 / math.sqrt(4000), rel=0.1)
