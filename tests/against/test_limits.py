"""Statistical limits of the scores against handbook figures and an independent implementation.

Exact binomial limits: Clopper and Pearson 1934, "The use of confidence or fiducial limits illustrated in the case of
the binomial", Biometrika 26, 404; worked example of NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2 (4 of 20
at 90 %). Student's t and chi-square: its tables 1.3.6.7.2 and 1.3.6.7.4. Library: scipy.stats, which finds exact
limits by solving for the binomial's tails; ours come from the beta distribution's quantiles.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from assessor.evaluation import mean_limits, scatter_limits, share_limits


def test_nist_worked_example_of_exact_binomial_limits() -> None:
    assert share_limits(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.parametrize(("count", "n"), [(0, 10), (1, 7), (4, 20), (360, 400), (372, 400), (400, 400)])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.999])
def test_share_limits_agree_with_scipy(count: int, n: int, confidence: float) -> None:
    theirs = stats.binomtest(count, n).proportion_ci(confidence, method="exact")
    assert share_limits(count, n, confidence) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_share_limits_are_those_of_the_definition() -> None:
    """At each limit the chance of what was seen or more extreme is exactly the tail (Clopper and Pearson 1934)."""
    count, n = 13, 37
    low, high = share_limits(count, n)

    def chance(p: float, counts: range) -> float:
        return sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in counts)

    assert chance(low, range(count, n + 1)) == pytest.approx(0.025, rel=1e-9)
    assert chance(high, range(count + 1)) == pytest.approx(0.025, rel=1e-9)


def test_no_case_in_n_has_the_closed_form_limit() -> None:
    assert share_limits(0, 30) == (0.0, pytest.approx(1 - 0.025 ** (1 / 30)))
    assert share_limits(30, 30) == (pytest.approx(0.025 ** (1 / 30)), 1.0)


def test_mean_limits_use_the_handbooks_t() -> None:
    # 1.3.6.7.2: t at 0.975 with 9 degrees of freedom is 2.262.
    values = np.arange(10.0)
    low, high = mean_limits(values)
    half = 2.262 * values.std(ddof=1) / math.sqrt(10)
    assert (low, high) == pytest.approx((4.5 - half, 4.5 + half), abs=1e-3)
    theirs = stats.t.interval(0.99, 9, values.mean(), values.std(ddof=1) / math.sqrt(10))
    assert mean_limits(values, 0.99) == pytest.approx(theirs)


def test_scatter_limits_use_the_handbooks_chi_square() -> None:
    # 1.3.6.7.4: chi-square with 9 degrees of freedom is 2.700 at 0.025 and 19.023 at 0.975.
    low, high = scatter_limits(2.0, 10)
    assert (low, high) == pytest.approx((2 * math.sqrt(9 / 19.023), 2 * math.sqrt(9 / 2.700)), rel=1e-4)


@pytest.mark.parametrize("share", [0.05, 0.9])
def test_share_limits_hold_the_true_share_at_least_as_often_as_claimed(share: float) -> None:
    n = 60
    kept = [low <= share <= high for low, high in (share_limits(k, n) for k in range(n + 1))]
    held = float(stats.binom.pmf(np.arange(n + 1), n, share) @ kept)
    assert 0.95 <= held < 0.995
