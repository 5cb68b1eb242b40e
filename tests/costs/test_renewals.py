"""Expected renewals against closed forms, a plain count and brute simulation."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from scipy.stats import gamma, nbinom, poisson

from rehit.costs.renewals import (
    Life,
    expected_patch_repaints,
    expected_renewals,
    gamma_hats,
    gamma_nodes,
    patch_repaints_at_rate,
    renewals_at_rate,
)

SHAPE = np.array([0.6, 1.4, 3.0, 12.0])
YEARS = np.array([0.5, 2.0, 1.0, 2.5])


def life(cleanings: float, years: float = np.inf, every: int = 0, n: int = len(SHAPE)) -> Life:
    return Life(np.full(n, float(cleanings)), years, np.full(n, every))


@pytest.mark.parametrize("cycles", [1, 2, 3, 7, 15])
def test_lives_in_cleanings_against_the_negative_binomial_tail(cycles: int) -> None:
    """E floor(C / K) is the sum over j of P(C >= jK), added up term by term."""
    found = expected_patch_repaints(SHAPE, YEARS, life(cycles), years=10).cumsum(axis=1)
    for year in (1, 5, 10):
        tail = nbinom.sf(np.arange(1, 4000) * cycles - 1, SHAPE[:, None],
                         (YEARS / (YEARS + year))[:, None]).sum(axis=1)
        assert found[:, year - 1] == pytest.approx(tail, rel=1e-8)


def test_counting_starts_afresh_after_a_planned_repaint() -> None:
    afresh = expected_patch_repaints(SHAPE, YEARS, life(4, every=3), years=8)
    once = expected_patch_repaints(SHAPE, YEARS, life(4), years=3)
    assert afresh == pytest.approx(np.tile(once, (1, 3))[:, :8])


def test_known_rate_against_the_poisson_tail() -> None:
    rates = np.array([0.0, 0.3, 2.0, 9.0])
    found = patch_repaints_at_rate(rates, cycles=5, reset_every=0, years=6).sum(axis=1)
    tail = poisson.sf(np.arange(1, 60) * 5 - 1, 6 * rates[:, None]).sum(axis=1)
    assert found == pytest.approx(tail, abs=1e-12)


def test_following_the_state_agrees_with_the_closed_form_where_age_never_ends_a_life() -> None:
    rates = np.array([0.0, 0.4, 3.0, 20.0])
    followed = renewals_at_rate(rates, cycles=6, life_years=np.inf, reset_every=4, years=10)
    closed = patch_repaints_at_rate(rates, cycles=6, reset_every=4, years=10)
    assert followed.by_cleaning == pytest.approx(closed, abs=1e-10)
    assert followed.by_age.sum(axis=1) == pytest.approx(np.full(4, 2.0), abs=1e-10)


def test_lives_of_many_cleanings_against_the_tails() -> None:
    """A wall of 50 000 m2, in a log of so few hours that rates come out at tens of thousands."""
    cycles, rates = 70_000, np.array([100.0, 20_000.0, 400_000.0])
    terms = np.arange(1, 120) * cycles - 1
    known = patch_repaints_at_rate(rates, cycles=cycles, reset_every=0, years=3).sum(axis=1)
    assert known == pytest.approx(poisson.sf(terms, 3 * rates[:, None]).sum(axis=1), rel=1e-12)
    shape = np.array([1.4, 3.0])
    mixed = expected_patch_repaints(shape, shape / 300_000, life(cycles, n=2), years=3).sum(axis=1)
    tail = nbinom.sf(np.arange(1, 400) * cycles - 1, shape[:, None],
                     (1 / (1 + 3 * 300_000 / shape))[:, None]).sum(axis=1)
    assert mixed == pytest.approx(tail, rel=1e-9)


@pytest.mark.parametrize(("life_years", "every"), [(10, 4), (1, 0), (np.inf, 0)])
def test_where_every_year_uses_up_a_life_the_state_need_not_be_followed(
        life_years: float, every: int) -> None:
    """Against draws: 5 000 futures of some 80 cleanings a year, a life of 15."""
    years, cycles, draws = 6, 15, 5_000
    found = renewals_at_rate(np.array([80.0]), cycles=cycles, life_years=life_years,
                             reset_every=every, years=years)
    rng = np.random.default_rng(3)
    used = np.zeros(draws)
    for year in range(1, years + 1):
        renewed, used = np.divmod(used + rng.poisson(80, draws), cycles)
        error = renewed.std() / draws**0.5
        assert found.by_cleaning[0, year - 1] == pytest.approx(renewed.mean(), abs=4 * error)
        ends = year < years and (life_years == 1 or bool(every and year % every == 0))
        assert found.by_age[0, year - 1] == ends
        used *= not ends
    unused = np.minimum(1 - 1 / life_years, 1 - used / cycles)
    assert found.unused[0] == pytest.approx(
        unused.mean(), abs=4 * unused.std() / draws**0.5 + 1e-12)


@pytest.mark.parametrize("cycles", [120, 200_000])
def test_rates_beyond_measure_fill_no_memory(cycles: int) -> None:
    """A log of one minute gives half a million markings a year, at 1 200 rates."""
    rates = np.linspace(0, 725, 1200) ** 2
    tracemalloc.start()
    try:
        repaints = patch_repaints_at_rate(rates, cycles=cycles, reset_every=0, years=10)
        if cycles == 120:
            found = renewals_at_rate(rates, cycles=cycles, life_years=10, reset_every=0, years=10)
            assert found.by_cleaning[-1] == pytest.approx(repaints[-1])
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert repaints[-1].sum() == pytest.approx(10 * 725**2 / cycles, abs=1)
    assert peak < 20e6, peak


def test_a_life_in_years_alone_is_a_calendar() -> None:
    found = expected_renewals(SHAPE, YEARS, life(np.inf, years=4), years=10)
    assert not found.by_cleaning.any()
    for row in found.by_age:
        assert np.flatnonzero(row > 0.5).tolist() == [3, 7]
    # Laid at the end of year 8, two of four years are used at the end of year 10.
    assert found.unused == pytest.approx(np.full(len(SHAPE), 0.5))


def test_lives_in_years_and_cleanings_against_brute_simulation() -> None:
    """200 000 futures of one place, life 5 cleanings or 3 years, planned repaint every 4 years."""
    draws, cycles, years = 200_000, 5, 10
    rng = np.random.default_rng(5)
    rates = rng.gamma(1.3, 1 / 0.5, draws)
    used, age = np.zeros((2, draws))
    by_cleaning, by_age = np.zeros((2, years, draws))
    for year in range(years):
        used += rng.poisson(rates)
        by_cleaning[year], used = np.divmod(used, cycles)
        age = np.where(by_cleaning[year] > 0, 1, age + 1)
        if year + 1 < years:
            by_age[year] = (age >= 3) | ((year + 1) % 4 == 0)
            used, age = np.where(by_age[year] > 0, 0, [used, age])
    unused = np.minimum(1 - age / 3, 1 - used / cycles).clip(0)
    found = expected_renewals(np.array([1.3]), np.array([0.5]), life(5, 3, 4, n=1), years=years)
    for simulated, expected in ((by_cleaning, found.by_cleaning[0]), (by_age, found.by_age[0])):
        error = simulated.std(axis=1) / np.sqrt(draws)
        assert (np.abs(simulated.mean(axis=1) - expected) <= 4 * error + 1e-9).all()
    assert found.unused[0] == pytest.approx(unused.mean(), abs=4 * unused.std() / draws**0.5)


def test_nodes_carry_the_moments_of_the_gamma_distribution() -> None:
    nodes, weights = gamma_nodes(SHAPE, YEARS)
    for power in range(1, 6):
        moment = [gamma(a, scale=1 / b).moment(power) for a, b in zip(SHAPE, YEARS, strict=True)]
        assert (nodes**power * weights).sum(axis=1) == pytest.approx(moment, rel=1e-8)


def test_hats_meet_a_kinked_curve_where_gauss_does_not() -> None:
    """E[max(rate - c, 0)] against the closed form by the gamma distribution."""
    for a, b in zip(SHAPE, YEARS, strict=True):
        for kink in (0.5 * a / b, a / b, 1.6 * a / b):
            beyond = a / b * gamma(a + 1, scale=1 / b).sf(kink) - kink * gamma(a, scale=1 / b).sf(
                kink)
            nodes, weights = gamma_hats(np.array([a]), np.array([b]))
            found = (weights * (nodes - kink).clip(0)).sum()
            assert found == pytest.approx(beyond, abs=3e-3 * a / b)
            assert (weights >= 0).all()


def test_snapping_many_shapes_moves_renewals_by_less_than_a_thousandth() -> None:
    rng = np.random.default_rng(2)
    shape, rate = rng.uniform(0.5, 30, 2500), rng.uniform(1, 4, 2500)
    many = Life(np.full(2500, 8.0), 4.0, np.zeros(2500, dtype=int))
    few = Life(many.cleanings[:50], 4.0, many.reset_every[:50])
    snapped = expected_renewals(shape, rate, many, years=10)
    exact = expected_renewals(shape[:50], rate[:50], few, years=10)
    assert snapped.by_cleaning[:50] == pytest.approx(exact.by_cleaning, abs=1e-3)
    assert snapped.by_age[:50] == pytest.approx(exact.by_age, abs=1e-3)
