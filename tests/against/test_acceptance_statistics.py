"""Sampling and acceptance figures against domain.md's check values, statsmodels and scipy.

Marks: [domain] check value of the project's figures; [derived] arithmetic of ours.
"""

import numpy as np
import pytest
from scipy.stats import binomtest, sem, t
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from assessor.grading.intervals import mean_of, t_interval
from assessor.job.sampling import Lot, draw_plan
from assessor.job.statistics import spots_to_show, what_it_proves


@pytest.mark.parametrize(("passed", "n"), [(5, 5), (3, 3), (4, 5), (0, 4), (30, 30), (40, 100), (35, 35)])
def test_shares_are_what_statsmodels_and_scipy_say(passed, n):
    proof = what_it_proves(n, passed)
    theirs = proportion_confint(passed, n, alpha=0.05, method="wilson")
    assert (proof.low95, proof.high95) == pytest.approx(theirs, abs=1e-12)
    scipys = binomtest(passed, n).proportion_ci(0.95, method="wilson")
    assert (proof.low95, proof.high95) == pytest.approx((scipys.low, scipys.high), abs=1e-12)
    exact = binomtest(passed, n).proportion_ci(0.95, method="exact")
    assert proof.exact_low95 == pytest.approx(exact.low, abs=1e-9)


def test_shares_of_the_check_values():
    # Check value 28 [domain]: 40/100: 0.3094-0.4980; 30/30: lower limit 0.8865.
    assert what_it_proves(100, 40).low95 == pytest.approx(0.3094, abs=5e-5)
    assert what_it_proves(100, 40).high95 == pytest.approx(0.4980, abs=5e-5)
    assert what_it_proves(30, 30).low95 == pytest.approx(0.8865, abs=5e-5)


@pytest.mark.parametrize(("share", "spots"), [(0.8, 16), (0.9, 35)])
def test_spots_that_show_a_share_by_statsmodels(share, spots):
    assert spots_to_show(share) == spots
    assert proportion_confint(spots, spots, method="wilson")[0] >= share
    assert proportion_confint(spots - 1, spots - 1, method="wilson")[0] < share


def test_half_width_of_four_spots():
    # Check value 43 [domain]: mean of 4 spots, s 0.10 mm: 95 % half-width 0.159 mm; t(3) = 3.182.
    low, high = t_interval(0.0, 0.10, 4)
    assert high == pytest.approx(0.159, abs=5e-4)
    assert low == -high
    assert high / (0.10 / 2) == pytest.approx(3.182, abs=5e-4)


def test_means_are_what_scipy_and_statsmodels_say():
    values = [3.0, 3.5, 4.0, 2.5, 3.0, 4.0]
    found = mean_of(values)
    theirs = t.interval(0.95, len(values) - 1, loc=np.mean(values), scale=sem(values))
    assert (found.low95, found.high95) == pytest.approx(theirs)
    assert (found.low95, found.high95) == pytest.approx(DescrStatsW(values).tconfint_mean(0.05))


def test_on_an_uneven_floor_stratified_spots_err_to_the_safe_side():
    """A floor of which the left 60 % is in range: all five spots pass less often than 0.6^5 [derived, AM-GM].

    And the share counted is right on average: the draw has no bias.
    """
    bay = Lot(1, "a", "b", "c", 100.0, 20.0, 5.0)
    limit = 0.25 + 0.6 * 19.5
    passed = np.array(
        [
            sum(s.x_m <= limit for s in draw_plan([bay], seed).spots if s.role == "random")
            for seed in range(300)
        ]
    )
    assert passed.mean() / 5 == pytest.approx(0.6, abs=3 * np.sqrt(0.24 / 5 / 300))
    assert np.mean(passed == 5) <= 0.6**5
    assert passed.var() < 5 * 0.24
