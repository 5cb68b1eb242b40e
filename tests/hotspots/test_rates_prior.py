"""Empirical-Bayes rates against Marshall 1991 and Hauer 2002, and the likelihood against itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import nbinom

from rehit.errors import SettingError
from rehit.hotspots.rates import (
    GammaPrior,
    fit_prior,
    marshall_moments,
    marshall_prior,
    posterior,
)

PUBLISHED = Path(__file__).parents[1] / "published" / "recurrence"


def test_moments_and_rates_against_marshall_1991_auckland():
    data = pd.read_csv(PUBLISHED / "auckland.csv")
    deaths, children = data["M77_85"].to_numpy(), 9.0 * data["Und5_81"].to_numpy()
    mean, variance = marshall_moments(deaths, children)
    assert variance == pytest.approx(7.284173e-7, abs=5e-14)
    assert mean == pytest.approx(0.002633436, abs=5e-10)
    prior = marshall_prior(deaths, children)
    assert prior.mean == pytest.approx(mean)
    assert prior.shape / prior.rate_years**2 == pytest.approx(variance)
    shape, rate = posterior(deaths, children, prior)
    smoothed = shape / rate  # Marshall's globally smoothed rates are the posterior means
    assert smoothed[:3] == pytest.approx([0.00297803, 0.00286562, 0.00211816], abs=5e-9)


def hauer_estimate(accidents: int, years: int) -> tuple[float, float, float]:
    """The paper's weight of the model, estimate and error, from the posterior.

    1.8 mi, 4000 vehicles a day, .0224 * 4000^.564 accidents expected a mile and year, dispersion
    2.05 a mile; inputs from memory. The rates of such roads are gamma with the model's mean and the
    dispersion times the length as shape.
    """
    model, shape = 1.8 * 0.0224 * 4000**0.564, 2.05 * 1.8
    prior = GammaPrior(shape, shape / model, np.zeros((2, 2)), "likelihood")
    alpha, beta = posterior(np.array([accidents]), np.array([years]), prior)
    return (prior.rate_years / beta[0], years * alpha[0] / beta[0],
            years * np.sqrt(alpha[0]) / beta[0])


def test_one_year_estimate_against_hauer_2002():
    weight, estimate, error = hauer_estimate(12, years=1)
    assert weight == pytest.approx(0.4598, abs=5e-5)
    assert estimate == pytest.approx(8.476, abs=5e-4)
    assert error == pytest.approx(2.140, abs=5e-4)
    assert estimate / 1.8 == pytest.approx(4.71, abs=5e-3)  # printed in the paper
    assert error / 1.8 == pytest.approx(1.19, abs=5e-3)


def test_three_year_estimate_against_hauer_2002():
    weight, estimate, error = hauer_estimate(12 + 7 + 8, years=3)
    assert weight == pytest.approx(0.2210, abs=5e-5)
    assert estimate / 3 == pytest.approx(7.97, abs=5e-3)
    assert error / 3 == pytest.approx(1.44, abs=5e-3)
    assert estimate / 3 / 1.8 == pytest.approx(4.43, abs=5e-3)


@pytest.mark.parametrize("truncated", [False, True])
def test_likelihood_maximum_against_scipy_negative_binomial(truncated):
    """No shape or mean near the fitted ones does better by scipy's own probabilities."""
    rng = np.random.default_rng(2)
    years = rng.uniform(0.5, 3, 400)
    n = rng.poisson(rng.gamma(0.7, 2.0, 400) * years)
    if truncated:
        n, years = n[n > 0], years[n > 0]
    prior = fit_prior(n, years, zero_truncated=truncated)

    def log_likelihood(shape: float, rate: float) -> float:
        chance = rate / (rate + years)
        value = nbinom.logpmf(n, shape, chance)
        if truncated:
            value = value - np.log1p(-nbinom.pmf(0, shape, chance))
        return value.sum()

    best = log_likelihood(prior.shape, prior.rate_years)
    for a, b in ((1.02, 1), (0.98, 1), (1, 1.02), (1, 0.98), (1.02, 1.02), (0.98, 0.98)):
        assert log_likelihood(prior.shape * a, prior.rate_years * b) < best


def test_fitted_covariance_matches_the_scatter_of_fits():
    rng = np.random.default_rng(4)
    fits, sizes = [], []
    for _ in range(150):
        years = rng.uniform(1, 3, 250)
        prior = fit_prior(rng.poisson(rng.gamma(0.8, 1.5, 250) * years), years,
                          zero_truncated=False)
        fits.append(np.log([prior.shape, prior.rate_years]))
        sizes.append(np.sqrt(np.diag(prior.covariance)))
    # The scatter of 150 fits is itself known to 6 %.
    assert np.std(fits, axis=0) == pytest.approx(np.mean(sizes, axis=0), rel=0.2)


def test_places_seen_only_when_hit_do_not_raise_the_rate():
    """Half of all places are never hit; fitted as if complete, the mean would be nearly twice."""
    rng = np.random.default_rng(8)
    years = np.full(4000, 2.0)
    n = rng.poisson(rng.gamma(0.5, 1.2, 4000) * years)
    seen = n > 0
    honest = fit_prior(n[seen], years[seen], zero_truncated=True)
    naive = fit_prior(n[seen], years[seen], zero_truncated=False)
    assert honest.mean == pytest.approx(0.6, abs=0.08)
    assert naive.mean > 1.1


@pytest.mark.parametrize(("n", "truncated"), [([], False), ([3], False), ([0, 0, 0], False)])
def test_nothing_to_learn_from_gives_the_vague_prior(n, truncated):
    prior = fit_prior(np.array(n), np.ones(len(n)), zero_truncated=truncated)
    assert prior.method == "vague"
    assert prior.shape == 0.5


@pytest.mark.parametrize("n", [[1, 1, 1, 1], [2, 2, 2, 2, 2], [1, 1]])
def test_counts_without_spread_still_give_finite_rates(n):
    for truncated in (False, True):
        prior = fit_prior(np.array(n), np.ones(len(n)), zero_truncated=truncated)
        shape, rate = posterior(np.array(n), np.ones(len(n)), prior)
        assert np.isfinite(shape).all()
        assert ((shape / rate > 0.01) & (shape / rate < 3)).all()


def test_impossible_exposures_are_refused():
    with pytest.raises(SettingError, match="exposure"):
        fit_prior(np.array([1, 2]), np.array([1.0, 0.0]), zero_truncated=False)
