"""The hierarchical fit against statsmodels' mixed model (REML), a closed form, and drawn floors of known offset."""

from collections import Counter

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from assessor.grading.refine_cells import offsets_of
from assessor.grading.refine_fit import FitSettings, Offsets, fit_offsets
from tests.grading.read_floors import GROUND, read_floors

FLAT = FitSettings(spread_factor=1e9, aggregate_log_sd=1e-4, camera_log_sd=1e-4, ignorance_share=0.0)


def plain(seed, sites, spots, site_sd=0.3, scatter=0.2):
    """Offsets at one grade with no uncertainty of their own: a one-way random-effects layout, unbalanced."""
    rng = np.random.default_rng(seed)
    names = [f"s{s}" for s in range(sites) for _ in range(spots + s % 3)]
    effect = dict(zip(sorted(set(names)), rng.normal(0, site_sd, sites), strict=True))
    offset = np.array([0.4 + effect[name] for name in names]) + rng.normal(0, scatter, len(names))
    at = np.zeros((len(names), 10))
    at[:, 2] = 1.0
    none = np.full(len(names), 1e-12)
    return Offsets(offset, none.copy(), none.copy(), at, tuple((n, "a", "c") for n in names), tuple(names))


@pytest.mark.parametrize("seed", range(3))
def test_spreads_and_site_effects_are_those_of_a_mixed_model(seed):
    data = plain(seed, 12, 8)
    table = pd.DataFrame({"offset": data.offset, "site": [group[0] for group in data.groups]})
    theirs = smf.mixedlm("offset ~ 1", table, groups=table["site"]).fit(reml=True)
    sites = sorted(set(table["site"]))
    found = [fit_offsets(data, [50.0] * 10, (site, "a", "c"), FLAT) for site in sites]
    assert found[0].scatter == pytest.approx(float(np.sqrt(theirs.scale)), rel=0.01)
    assert found[0].site == pytest.approx(float(np.sqrt(theirs.cov_re.iloc[0, 0])), rel=0.02)
    for site, own in zip(sites, found, strict=True):
        blup = theirs.fe_params["Intercept"] + theirs.random_effects[site].iloc[0]
        assert own.mean[2] == pytest.approx(blup, abs=0.003)


def test_with_known_spreads_the_posterior_is_the_textbook_one():
    """One grade, one site, n readings: precision-weighted mean of the prior 0 and the readings' mean [closed form]."""
    n, before = 9, 0.5
    rng = np.random.default_rng(1)
    offset = 0.6 + rng.normal(0, 0.1, n)
    at = np.zeros((n, 10))
    at[:, 4] = 1.0
    tiny = np.full(n, 1e-12)
    data = Offsets(offset, tiny.copy(), tiny.copy(), at, (("s", "a", "c"),) * n, ("s",) * n)
    # Spreads held where they are assumed; sites, aggregates and cameras all but none.
    settings = FitSettings(1e-4, 1e-4, 1e-4, 0.2, spread_factor=1 + 1e-6, ignorance_share=0.5)
    found = fit_offsets(data, [before] * 10, ("s", "a", "c"), settings)
    ignorance2 = before**2 - 0.2**2 - 3e-8
    weight = n / 0.2**2
    assert found.mean[4] == pytest.approx(offset.mean() * weight / (weight + 1 / ignorance2), rel=1e-3)
    assert found.u[4] == pytest.approx((weight + 1 / ignorance2) ** -0.5, rel=1e-3)
    assert found.log_sd[4] == pytest.approx(np.hypot(found.u[4], 0.2), rel=1e-3)


def test_the_spread_of_a_scale_nobody_read_stays_its_own():
    """A grade far from all readings keeps the spread it had: its ignorance and the floors' own add up to it."""
    readings, _ = read_floors(1, 1, 12, floors_sd=0.2)
    spots = [[reading] for reading in readings]
    found = fit_offsets(offsets_of(GROUND, spots), GROUND.log_sd, (None, None, None))
    assert found.log_sd[9] == pytest.approx(GROUND.log_sd[9], rel=0.08)


@pytest.mark.slow
@pytest.mark.parametrize(("sites", "spots"), [(1, 10), (2, 12), (5, 20), (12, 20)])
@pytest.mark.parametrize("reader_sd", [0.15, 0.3, 0.6])
def test_known_offsets_come_back_within_their_intervals(sites, spots, reader_sd):
    """90 % intervals hold the truth in 84 to 100 % of draws, where most floors were read and where fewest were.

    Offsets are drawn as the settings assume them; what the readers' error really is, the fit isn't told.
    """
    held, errors, claims = [], [], []
    for seed in range(80):
        off = np.random.default_rng(seed + 1000).normal(0, 0.3)
        readings, true = read_floors(seed, sites, spots, off=off, reader_sd=reader_sd)
        by_spot = {}
        for reading in readings:
            by_spot.setdefault(reading.spot, []).append(reading)
        data = offsets_of(GROUND, list(by_spot.values()))
        found = fit_offsets(data, GROUND.log_sd, ("s0", "gravel", "phone"))
        often = Counter(reading.low for reading in readings).most_common()
        for grade in (often[0][0], often[-1][0]):
            error = found.mean[grade - 1] - true[0]
            errors.append(error)
            claims.append(found.u[grade - 1])
            held.append(abs(error) < 1.645 * found.u[grade - 1])
    assert 0.84 < np.mean(held) <= 1.0
    # What it claims is what it errs, and far less than the prior's spread of 0.6 at the fine grades.
    assert np.sqrt(np.mean(np.square(errors))) < 1.25 * np.sqrt(np.mean(np.square(claims)))
    assert np.sqrt(np.mean(np.square(errors))) < 0.22
