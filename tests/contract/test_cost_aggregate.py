"""Totals of a year against published aggregate distributions, and one method against another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import gamma

from rehit.contract.cost import (
    Aggregate,
    accuracy_sd,
    discretise_costs,
    fourier,
    mixed_poisson,
    simulate_totals,
    tail_mean,
)
from rehit.contract.volume import triangular_quantile

# The reference: Panjer's recursion, from Panjer 1981, ASTIN Bulletin 12; Klugman, Panjer and
# Willmot, Loss Models, sections 9.6 and 9.6.5.


@dataclass(frozen=True)
class Counts:
    """A number of jobs of the (a, b) class: ``p(n) = p(n-1) * (a + b/n)`` from n = 2 on."""

    a: float
    b: float
    p0: float
    p1: float

    @classmethod
    def poisson(cls, *, mean: float) -> Counts:
        """Jobs that come independently."""
        return cls(0.0, mean, float(np.exp(-mean)), float(mean * np.exp(-mean)))

    @classmethod
    def negative_binomial(cls, *, mean: float, variance: float) -> Counts:
        """Jobs that come in bursts: variance above the mean."""
        size = mean**2 / (variance - mean)
        a = 1 - mean / variance
        p0 = float((mean / variance) ** size)
        return cls(a, (size - 1) * a, p0, p0 * size * a)

    @classmethod
    def binomial(cls, *, trials: int, chance: float) -> Counts:
        """So many tries, each a job with the same chance."""
        odds, p0 = chance / (1 - chance), float((1 - chance) ** trials)
        return cls(-odds, (trials + 1) * odds, p0, p0 * trials * odds)

    def zero_modified(self, *, none: float) -> Counts:
        """Return the same distribution with another chance of no job."""
        scale = (1 - none) / (1 - self.p0)
        return Counts(self.a, self.b, none, self.p1 * scale)


def panjer(severity: np.ndarray, *, counts: Counts, steps: int, step: float = 1.0) -> Aggregate:
    """Return the distribution of the total by Panjer's recursion."""
    first = _start(severity[0], counts)
    padded = np.zeros(steps + 1)
    padded[:min(len(severity), steps + 1)] = severity[:steps + 1]
    total = np.zeros(steps + 1)
    total[0] = first
    shift = counts.p1 - (counts.a + counts.b) * counts.p0
    for at in range(1, steps + 1):
        back = np.arange(1, at + 1)
        earlier = (counts.a + counts.b * back / at) * padded[1:at + 1] * total[at - back]
        total[at] = (shift * padded[at] + earlier.sum()) / (1 - counts.a * padded[0])
    return Aggregate(total, step)


def _start(none: float, counts: Counts) -> float:
    """Chance of a total of nothing: the generating function of the counts at `none`."""
    if not none:
        return counts.p0
    chance, total, n, scale = counts.p1, counts.p0, 1, none
    # Terms grow as long as a + b/n is above 1, and may be dropped once they shrink to nothing.
    while chance > 0 and (chance * scale > 1e-18 * total or counts.a + counts.b / n > 1):
        total += chance * scale
        n += 1
        chance, scale = chance * (counts.a + counts.b / n), scale * none
    return total


def discretise(limited_mean: Callable[[np.ndarray], np.ndarray], *, step: float,
               steps: int) -> np.ndarray:
    """Cut a continuous cost into steps so that its mean is kept (local moment matching)."""
    points = limited_mean(np.arange(steps + 2) * step)
    chances = np.empty(steps + 1)
    chances[0] = 1 - points[1] / step
    chances[1:] = (2 * points[1:-1] - points[:-2] - points[2:]) / step
    return chances


def given_counts(chances: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return the generating function of a count with these chances of 0, 1, 2 … jobs."""
    return lambda spectrum: np.polynomial.polynomial.polyval(spectrum, chances)


def gamma_2_1(d: np.ndarray) -> np.ndarray:
    return 2 * gamma.cdf(d, 3) + d * gamma.sf(d, 2)


@pytest.mark.parametrize("method", ["panjer", "fourier"])
def test_quantiles_and_tails_against_actuar_risk_vignette(method: str) -> None:
    """R package actuar, vignette "risk": Poisson 10, Gamma(2, 1), unbiased steps of 0.5."""
    severity = discretise(gamma_2_1, step=0.5, steps=44)
    severity[-1] += 1 - severity.sum()
    if method == "panjer":
        total = panjer(severity, counts=Counts.poisson(mean=10), steps=200, step=0.5)
    else:
        total = fourier(severity, generating=mixed_poisson(np.array([10.0])), steps=200, step=0.5)
    assert total.chances[0] == pytest.approx(6.293e-05, abs=5e-9)
    levels = {0.25: 14.5, 0.5: 19.5, 0.75: 25, 0.8: 26.5, 0.9: 30.5, 0.95: 34, 0.975: 37, 0.99: 41,
              0.995: 43.5, 0.999: 49.5}
    assert {level: total.quantile(level) for level in levels} == levels
    for level, printed in {0.9: 35.42, 0.95: 38.55, 0.99: 45.01}.items():
        assert total.tail_mean(level) == pytest.approx(printed, abs=0.005)


def test_panjer_against_loss_models_example_9_10() -> None:
    """actuar help of aggregateDist, from Loss Models, example 9.10; printed by R."""
    severity = np.array([0, 19 / 30, 4 / 15, 0.1])
    total = panjer(severity, counts=Counts.poisson(mean=3), steps=60)
    printed = [0.04978706837, 0.0945954299, 0.1296953131, 0.14752738142, 0.14323760314,
               0.12498420761]
    assert total.chances[:6] == pytest.approx(printed, abs=5e-12)
    assert total.mean == pytest.approx(4.4, abs=1e-9)
    assert total.variance == pytest.approx(7.8, abs=1e-9)
    assert [total.quantile(q) for q in (0.8, 0.9, 0.95)] == [7, 8, 10]


def test_given_counts_against_loss_models_example_9_5() -> None:
    """actuar help of aggregateDist, from Loss Models, example 9.5; printed by R."""
    counts = np.array([0.05, 0.1, 0.15, 0.2, 0.25, 0.15, 0.06, 0.03, 0.01])
    severity = np.array([0, 0.15, 0.2, 0.25, 0.125, 0.075, 0.05, 0.05, 0.05, 0.025, 0.025])
    total = fourier(severity, generating=given_counts(counts), steps=80, step=25)
    printed = [0.05, 0.015, 0.023375, 0.034675, 0.0325765625, 0.03578639062]
    assert total.chances[:6] == pytest.approx(printed, abs=5.1e-12)
    assert total.mean == pytest.approx(314.5, abs=1e-6)
    quantiles = [total.quantile(q) for q in (0.5, 0.8, 0.9, 0.95, 0.99)]
    assert quantiles == [300, 475, 575, 650, 825]


def test_zero_modified_binomial_against_loss_models_example_9_11() -> None:
    """actuar help of aggregateDist, from Loss Models, example 9.11; printed by R."""
    counts = Counts.binomial(trials=3, chance=0.3).zero_modified(none=0.4)
    total = panjer(np.array([0.3, 0.5, 0.2]), counts=counts, steps=6, step=50)
    printed = [0.537021917808, 0.256479452055, 0.151290410959, 0.04204109589, 0.011490410959,
               0.001479452055, 0.000197260274]
    assert total.chances == pytest.approx(printed, abs=5e-12)


def test_triangular_against_closed_form() -> None:
    """Triangular 80, 100, 150: closed form, from memory."""
    levels = triangular_quantile(np.array([0.5, 0.8, 0.9]), low=80, likely=100, high=150)
    assert levels == pytest.approx([108.1670, 123.5425, 131.2917], abs=5e-5)
    grid = (np.arange(100_000) + 0.5) / 100_000
    mean = triangular_quantile(grid, low=80, likely=100, high=150).mean()
    assert mean == pytest.approx(110, abs=1e-3)
    assert triangular_quantile(0.3, low=2, likely=2, high=2) == 2


def test_accuracy_against_rothwell_2004() -> None:
    """Rothwell 2004, SIEPR 04-05: ±10 % at 80 % is a standard deviation of 7.8 %."""
    assert accuracy_sd(accuracy=0.1, confidence=0.8) == pytest.approx(0.0780, abs=5e-5)


def test_uniform_base_and_event_against_pharma_manufacturing_2012() -> None:
    """Published inputs, read as uniform: 70-85 thousand and, at 80 %, an event of 10-15."""
    base = np.diff(np.clip(np.arange(-0.5, 1601) / 10 - 70, 0, 15)) / 15
    event = 0.8 * np.diff(np.clip(np.arange(-0.5, 1601) / 10 - 10, 0, 5)) / 5
    event[0] += 0.2
    total = Aggregate(np.convolve(base, event), 0.1)
    assert total.mean == pytest.approx(87.5, abs=1e-3)
    for level, value in {0.5: 88.125, 0.8: 93.75, 0.9: 95.670}.items():
        assert total.quantile(level) == pytest.approx(value, abs=0.1)


def test_three_ways_agree_on_p80_of_100_random_portfolios() -> None:
    rng = np.random.default_rng(20261)
    outside = 0
    for _ in range(100):
        mean, dispersion = rng.uniform(5, 150), rng.uniform(1.05, 4)
        costs = rng.lognormal(rng.uniform(2, 5), rng.uniform(0.2, 1.2), 60)
        size = mean / (dispersion - 1)
        step = costs.mean() / 20
        top = mean + 8 * np.sqrt(mean * dispersion) + 8 * costs.max() / costs.mean()
        severity, steps = discretise_costs(costs, step=step), int(top * 20)
        counts = Counts.negative_binomial(mean=mean, variance=mean * dispersion)
        exact = panjer(severity, counts=counts, steps=steps, step=step)

        def generating(t: np.ndarray, size: float = size, beta: float = dispersion - 1):
            return (1 - beta * (t - 1)) ** -size

        spectral = fourier(severity, generating=generating, steps=steps, step=step)
        p80 = exact.quantile(0.8)
        assert spectral.quantile(0.8) == pytest.approx(p80, abs=step * 1.001)
        drawn = rng.negative_binomial(size, 1 / dispersion, 4000)
        totals = simulate_totals(costs, counts=drawn, rng=rng)
        # The share of draws at or below the exact P80 has a known standard error.
        share = (totals <= p80).mean()
        exact_share = exact.chances[:round(p80 / step) + 1].sum()
        slack = exact.chances[round(p80 / step)]
        error = np.sqrt(0.16 / len(totals))
        outside += abs(share - exact_share) > 1.96 * error + slack
    assert outside <= 10


def test_many_jobs_need_the_transform() -> None:
    severity = np.array([0.0, 0.5, 0.5])
    assert Counts.poisson(mean=2000).p0 == 0  # nothing for the recursion to start from
    total = fourier(severity, generating=mixed_poisson(np.array([2000.0])), steps=4000)
    assert total.mean == pytest.approx(3000, abs=1e-6)


def test_means_are_kept_when_costs_are_cut_into_steps() -> None:
    costs = np.array([3.3, 12.0, 0.2])
    chances = discretise_costs(costs, step=0.7)
    assert chances.sum() == pytest.approx(1)
    assert np.arange(len(chances)) @ chances * 0.7 == pytest.approx(costs.mean())


def test_tail_of_draws() -> None:
    draws = np.arange(1.0, 101.0)
    assert tail_mean(draws, 0.9) == pytest.approx(95.5)
    assert tail_mean(np.full(5, 2.0), 0.9) == 2.0


def test_sums_of_very_many_jobs_have_the_moments_of_sums() -> None:
    rng = np.random.default_rng(12)
    costs = rng.lognormal(3, 1, (400, 2))
    totals = simulate_totals(costs, counts=np.full(6000, 2000), rng=rng)
    error = np.sqrt(2000 * costs.var(axis=0) / 6000)
    assert (np.abs(totals.mean(axis=0) - 2000 * costs.mean(axis=0)) < 4 * error).all()
    assert totals.var(axis=0) == pytest.approx(2000 * costs.var(axis=0), rel=0.1)
    mixed = simulate_totals(costs[:, 0], counts=np.array([0, 1, 5000]), rng=rng)
    assert mixed[0] == 0
    assert mixed[1] in costs[:, 0]
