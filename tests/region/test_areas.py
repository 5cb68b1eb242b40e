"""Areas are told apart only where chance does not explain it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import betabinom, binom

from rehit.errors import SettingError
from rehit.region.areas import (
    Funnel,
    Standing,
    compare_costs,
    compare_rates,
    compare_shares,
    exact_limit,
    fit_funnel,
    learn,
    pool_means,
    standings,
)

#: Trials of the BCG vaccine (Colditz et al. 1994): cases and others, vaccinated and not.
BCG = np.array([
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
    (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
    (27, 16886, 29, 17825)], dtype=float)


def test_exact_limits_against_the_binomial_distribution() -> None:
    """Below the limit's whole number the chance is at most asked for, above it at least."""
    for n in (10, 57, 400):
        limit = exact_limit(0.13, np.array([n]), chance=0.975)[0] * n
        assert binom.cdf(np.ceil(limit), n, 0.13) >= 0.975
        assert binom.cdf(np.floor(limit) - 1, n, 0.13) < 0.975


def test_limits_against_the_normal_approximation_of_large_areas() -> None:
    low, high = Funnel(0.3, 0.0).limits(np.array([40_000]), level=0.95)
    error = 1.959964 * np.sqrt(0.3 * 0.7 / 40_000)
    assert low[0] == pytest.approx(0.3 - error, abs=2e-5)
    assert high[0] == pytest.approx(0.3 + error, abs=2e-5)


def test_chance_alone_leaves_one_area_in_twenty_outside_and_no_scatter() -> None:
    rng, outside, scattered, areas = np.random.default_rng(3), 0, 0, 0
    for _ in range(60):
        n = rng.integers(30, 900, 40)
        y = rng.binomial(n, 0.4)
        funnel = fit_funnel(y, n)
        scattered += funnel.between > 0.02
        found = compare_shares(pd.DataFrame({"area": range(40), "y": y, "n": n}), part="y",
                               whole="n")["standing"]
        outside += (found != Standing.INSIDE).sum()
        areas += 40
    assert scattered <= 3
    assert 0.02 <= outside / areas <= 0.07


def test_scatter_between_areas_against_what_was_planted() -> None:
    rng = np.random.default_rng(5)
    n = rng.integers(200, 2000, 400)
    y = rng.binomial(n, np.clip(rng.normal(0.5, 0.08, 400), 0, 1))
    # Winsorised at a tenth each side, so somewhat below the full scatter of 0.08.
    assert 0.05 < fit_funnel(y, n).between < 0.085


def test_nobody_stands_out_by_a_count_that_chance_gives_often_against_the_binomial() -> None:
    """Five of five at nine in ten comes in 59 % of areas; so does every share where all agree."""
    few = standings(np.array([1.0, 1.0]), np.array([5, 400]), Funnel(0.9, 0.0))
    assert few == [Standing.INSIDE, Standing.FAR_HIGH]
    assert standings(np.ones(3), np.array([4, 9, 1000]), Funnel(1.0, 0.0)) == 3 * [Standing.INSIDE]
    for count in range(31):
        above = binom.sf(count - 1, 30, 0.6)  # chance of this many or more
        told = standings(np.array([count / 30]), np.array([30]), Funnel(0.6, 0.0))[0]
        assert (told == Standing.FAR_HIGH) == (above <= 0.001)
        assert (told in (Standing.HIGH, Standing.FAR_HIGH)) == (above <= 0.025)


def test_one_area_far_off_is_named_and_the_others_are_not() -> None:
    n = np.full(12, 500)
    y = np.array([200, 205, 195, 210, 190, 198, 202, 207, 193, 201, 199, 320])
    found = compare_shares(pd.DataFrame({"area": list("abcdefghijkl"), "y": y, "n": n}),
                           part="y", whole="n").set_index("area")["standing"]
    assert found["l"] == Standing.FAR_HIGH
    assert (found.drop("l") == Standing.INSIDE).all()


def test_pooling_draws_the_small_area_most_and_its_interval_covers() -> None:
    rng, inside = np.random.default_rng(7), 0
    for _ in range(50):
        n = rng.integers(5, 300, 30)
        truth = rng.beta(8, 12, 30)
        y = rng.binomial(n, truth)
        found = compare_shares(pd.DataFrame({"area": range(30), "y": y, "n": n}), part="y",
                               whole="n")
        inside += ((found["low"] <= truth) & (truth <= found["high"])).sum()
    assert 0.86 <= inside / 1500 <= 0.94
    small = found.loc[found["whole"].idxmin()]
    large = found.loc[found["whole"].idxmax()]
    pool = y.sum() / n.sum()
    assert abs(large["pooled"] - large["share"]) <= abs(small["pooled"] - small["share"]) + 1e-9
    assert min(small["share"], pool) - 0.05 <= small["pooled"] <= max(small["share"], pool) + 0.05


def test_beta_prior_against_scipy_beta_binomial_likelihood() -> None:
    from rehit.region.areas import _beta_prior

    rng = np.random.default_rng(11)
    n = rng.integers(20, 400, 200)
    y = rng.binomial(n, rng.beta(6, 14, 200))
    a, b = _beta_prior(y.astype(float), n.astype(float))
    best = betabinom.logpmf(y, n, a, b).sum()
    for factor in (0.9, 1.1):
        assert betabinom.logpmf(y, n, a * factor, b).sum() < best
        assert betabinom.logpmf(y, n, a, b * factor).sum() < best


def test_rates_cover_the_truth_and_ranks_of_equal_areas_are_not_told_apart() -> None:
    rng, inside = np.random.default_rng(13), 0
    for _ in range(50):
        exposure = rng.uniform(50, 2000, 25)
        truth = rng.gamma(4, 0.1, 25)
        areas = pd.DataFrame({"area": range(25), "n": rng.poisson(truth * exposure),
                              "asset_years": exposure})
        found = compare_rates(areas, count="n", exposure="asset_years")
        inside += ((found["low"] <= truth) & (truth <= found["high"])).sum()
    assert 0.85 <= inside / 1250 <= 0.94
    alike = compare_rates(pd.DataFrame({"area": range(6), "n": [40] * 6, "x": [100.0] * 6}),
                          count="n", exposure="x")
    assert (alike["rank_low"] == 1).all()
    assert (alike["rank_high"] == 6).all()


def test_areas_without_an_exposure_or_an_incident_are_left_out_or_said_so() -> None:
    areas = pd.DataFrame({"area": ["a", "b"], "n": [3, 4], "x": [np.nan, 2.0], "y": [0, 0]})
    assert compare_rates(areas, count="n", exposure="x")["area"].tolist() == ["b"]
    found = compare_shares(areas, part="y", whole="y")
    assert (found["standing"] == Standing.NO_DATA).all()
    with pytest.raises(SettingError, match="no incident"):
        fit_funnel(np.zeros(2), np.zeros(2))


def test_pooled_means_against_the_printed_values_of_r_metafor() -> None:
    """``rma(yi, vi, data=dat.bcg, method="DL")``: tau^2 0.3088, estimate -0.7141, se 0.1787."""
    a, b, c, d = BCG.T
    value = np.log(a / (a + b)) - np.log(c / (c + d))
    error = np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    found = pool_means(value, error)
    assert found.between ** 2 == pytest.approx(0.3088, abs=5e-5)
    assert found.mean == pytest.approx(-0.7141, abs=5e-5)
    assert found.error == pytest.approx(0.1787, abs=5e-5)
    # 90 % of new trials, by hand: t(11) is 1.7959.
    reach = 1.7959 * np.sqrt(0.3088 + 0.1787 ** 2)
    assert (found.low, found.high) == pytest.approx((-0.7141 - reach, -0.7141 + reach), abs=5e-4)


def test_an_area_that_was_not_seen_lies_where_it_is_expected() -> None:
    rng, inside = np.random.default_rng(17), 0
    for _ in range(600):
        truth, error = rng.normal(20, 3, 13), rng.uniform(0.5, 3, 12)
        found = pool_means(rng.normal(truth[:12], error), error)
        inside += found.low <= truth[12] <= found.high
    assert 0.86 <= inside / 600 <= 0.94


def test_costs_of_areas_cover_the_truth_and_other_money_is_left_out() -> None:
    rng, inside = np.random.default_rng(19), 0
    for _ in range(60):
        truth, n = rng.normal(80, 10, 25), rng.integers(10, 400, 25)
        areas = pd.DataFrame({"area": range(25), "currency": "€", "n_works": n, "works_sd": 60.0,
                              "works_cost": rng.normal(truth, 60 / np.sqrt(n)) * n})
        found = compare_costs(areas)
        inside += ((found["low"] <= truth) & (truth <= found["high"])).sum()
    assert 0.87 <= inside / 1500 <= 0.93
    other = pd.concat([areas, areas.head(1).assign(area="far", currency="£"),
                       areas.head(1).assign(area="few", n_works=9)])
    assert compare_costs(other)["area"].tolist() == list(range(25))
    assert compare_costs(areas.head(2)).empty


def test_what_areas_have_in_common_is_what_was_planted() -> None:
    rng, figures = np.random.default_rng(23), []
    for _ in range(40):
        paint = rng.beta(60, 40)
        figures.append({"minutes": [["costs.minutes_per_visit_scrape", rng.normal(12, 2), 0.1]],
                        "rings": [["0-1 m / 0-7 d", rng.normal(np.log(2), 0.1), 0.01]],
                        "media": {"spray": int(rng.binomial(500, paint)), "marker": 200}})
        figures[-1]["media"]["marker"] = 500 - figures[-1]["media"]["spray"]
    # One town alone tells nothing of towns.
    figures[0]["minutes"].append(["costs.minutes_per_visit_hot_wash", 30.0, 1.0])
    found = learn(figures).set_index("name")
    assert found["kind"].tolist() == ["minutes", "ring", "medium", "medium"]
    assert found["value"].tolist() == pytest.approx([12, 2, 0.4, 0.6], rel=0.06)
    # 90 % of towns: 12 and 1.645 times 2; the 5th and 95th of beta(60, 40).
    assert found.loc["costs.minutes_per_visit_scrape", ["low", "high"]].tolist() == pytest.approx(
        [8.7, 15.3], abs=0.8)
    assert found.loc["spray", ["low", "high"]].tolist() == pytest.approx([0.518, 0.679], abs=0.03)
    assert learn(figures[:2]).empty
