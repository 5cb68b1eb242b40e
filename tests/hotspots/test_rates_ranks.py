"""Posterior ranks and chances by cases that can be worked out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import gamma

from rehit.errors import SettingError
from rehit.hotspots.rates import gamma_interval, posterior_ranks


def test_interval_against_scipy_gamma():
    shape, rate = np.array([0.7, 12.5]), np.array([2.0, 3.0])
    low, high = gamma_interval(shape, rate, level=0.9)
    assert low == pytest.approx(gamma.ppf(0.05, shape, scale=1 / rate))
    assert high == pytest.approx(gamma.ppf(0.95, shape, scale=1 / rate))


def test_equal_places_share_ranks_and_chances_equally():
    rank, chance = posterior_ranks(np.full(40, 3.0), np.ones(40), top=20, draws=4000,
                                   rng=np.random.default_rng(1))
    assert rank == pytest.approx(np.full(40, 20.5), abs=4 * 40 / np.sqrt(12 * 4000))
    assert chance == pytest.approx(np.full(40, 0.5), abs=4 * 0.5 / np.sqrt(4000))
    assert chance.sum() == pytest.approx(20)


def test_chance_of_being_worst_of_two_against_the_beta_distribution():
    """P(G1 > G2) for gammas with one rate is a tail of Beta(a1, a2): exact."""
    from scipy.stats import beta

    _, chance = posterior_ranks(np.array([6.0, 4.0]), np.ones(2), top=1, draws=40_000,
                                rng=np.random.default_rng(2))
    assert chance[0] == pytest.approx(beta.sf(0.5, 6, 4), abs=4 * 0.5 / np.sqrt(40_000))


def test_places_left_out_for_speed_hardly_ever_reach_the_top():
    rng = np.random.default_rng(3)
    shape = 0.5 + rng.poisson(rng.gamma(0.5, 4.0, 3000))
    rate = np.full(3000, 2.0)
    _, chance = posterior_ranks(shape, rate, top=20, draws=2000, rng=np.random.default_rng(4))
    draws = np.random.default_rng(5).standard_gamma(shape, size=(2000, 3000)) / rate
    best = np.argpartition(-draws, 19, axis=1)[:, :20]
    plain = np.bincount(best.ravel(), minlength=3000) / 2000
    assert chance.sum() == pytest.approx(20, abs=1e-9)
    assert np.abs(chance - plain).max() < 5 * np.sqrt(0.5 / 2000)
    assert plain[chance == 0].sum() < 0.1


def test_few_places_are_all_in_the_top():
    _, chance = posterior_ranks(np.ones(3), np.ones(3), top=20, draws=10,
                                rng=np.random.default_rng(1))
    assert chance.tolist() == [1, 1, 1]
    assert posterior_ranks(np.empty(0), np.empty(0), top=20, draws=10,
                           rng=np.random.default_rng(1))[0].size == 0


def test_a_top_of_none_is_refused():
    with pytest.raises(SettingError, match="top=0"):
        posterior_ranks(np.ones(3), np.ones(3), top=0, draws=10, rng=np.random.default_rng(1))
