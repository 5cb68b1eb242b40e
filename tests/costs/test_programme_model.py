"""The programme against brute force, and the plain ranking beside it."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from rehit.costs.programme import Candidates, best_choice, greedy_choice


def undrawn(n: int) -> np.ndarray:
    """Return futures that the choice does not look at."""
    return np.zeros((n, 0), dtype=np.float32)


def random_case(rng: np.random.Generator, *, scenarios: int = 1) -> tuple[Candidates, ...]:
    """Return three to six places, one or two strategies, two years, and short budgets."""
    places, strategies, years = int(rng.integers(3, 7)), int(rng.integers(1, 3)), 2
    place, strategy, year = (axis.ravel() for axis in np.meshgrid(
        np.arange(places), np.arange(strategies), np.arange(years), indexing="ij"))
    cost = rng.uniform(50, 400, (places, strategies))[place, strategy]
    hours = rng.uniform(1, 8, (places, strategies))[place, strategy]
    saving = rng.uniform(5, 900, (len(place), scenarios)) * np.where(year == 0, 1, 0.8)[:, None]
    return (Candidates(place, strategy, year, saving, cost, hours, undrawn(len(place))),
            rng.uniform(100, 700, years), rng.uniform(4, 16, years))


def brute_force(case: Candidates, money: np.ndarray, hours: np.ndarray) -> float:
    """Return the most that can be saved in the worst scenario, by trying everything."""
    options = [[None, *np.flatnonzero(case.place == place)] for place in np.unique(case.place)]
    best = 0.0
    for combination in product(*options):
        rows = np.array([row for row in combination if row is not None], dtype=int)
        used = np.bincount(case.year[rows], case.cost[rows], minlength=len(money))
        time = np.bincount(case.year[rows], case.hours[rows], minlength=len(hours))
        if (used <= money + 1e-9).all() and (time <= hours + 1e-9).all():
            best = max(best, case.saving[rows].sum(axis=0).min())
    return best


def feasible(case: Candidates, chosen: np.ndarray, money: np.ndarray, hours: np.ndarray) -> bool:
    picked = case.keep(chosen)
    used = np.bincount(picked.year, picked.cost, minlength=len(money))
    time = np.bincount(picked.year, picked.hours, minlength=len(hours))
    once = len(np.unique(picked.place)) == len(picked.place)
    return bool((used <= money + 1e-6).all() and (time <= hours + 1e-6).all() and once)


@pytest.mark.parametrize("seed", range(50))
def test_optimum_equals_brute_force_and_the_plain_ranking_is_never_better(seed: int) -> None:
    case, money, hours = random_case(np.random.default_rng(seed))
    best = best_choice(case, budgets=money, hours=hours, gap=0.0)
    greedy = greedy_choice(case, budgets=money, hours=hours)
    assert best.saving == pytest.approx(brute_force(case, money, hours), rel=1e-9)
    assert best.gap < 1e-6
    assert greedy.saving <= best.saving + 1e-9
    assert feasible(case, best.chosen, money, hours)
    assert feasible(case, greedy.chosen, money, hours)


@pytest.mark.parametrize("seed", range(20))
def test_robust_optimum_equals_brute_force_over_the_worst_scenario(seed: int) -> None:
    case, money, hours = random_case(np.random.default_rng(seed), scenarios=3)
    best = best_choice(case, budgets=money, hours=hours, gap=0.0, robust=True)
    assert best.saving == pytest.approx(brute_force(case, money, hours), rel=1e-9)
    assert feasible(case, best.chosen, money, hours)


def test_the_plain_ranking_does_fall_short_somewhere() -> None:
    shortfalls = 0
    for seed in range(50):
        case, money, hours = random_case(np.random.default_rng(seed))
        best = best_choice(case, budgets=money, hours=hours, gap=0.0)
        shortfalls += greedy_choice(case, budgets=money, hours=hours).saving < 0.999 * best.saving
    assert shortfalls > 10


def test_gap_asked_for_is_proven_on_two_thousand_places() -> None:
    rng = np.random.default_rng(1)
    n, years = 2000, 5
    cost = rng.lognormal(6, 0.6, n)
    fading = np.array([1, 0.88, 0.76, 0.65, 0.54])
    saving = (cost * rng.lognormal(0, 0.8, n))[:, None] * fading
    case = Candidates(np.repeat(np.arange(n), years), np.zeros(n * years, int),
                      np.tile(np.arange(years), n), saving.reshape(-1, 1),
                      np.repeat(cost, years), np.repeat(cost / 120, years), undrawn(n * years))
    money = np.full(years, cost.sum() * 0.1)
    hours = np.full(years, np.inf)
    best = best_choice(case, budgets=money, hours=hours, gap=0.001)
    assert best.gap <= 0.001
    assert greedy_choice(case, budgets=money, hours=hours).saving <= best.saving
    assert feasible(case, best.chosen, money, hours)


def test_a_search_cut_short_proves_less_and_keeps_to_the_limits() -> None:
    """Few dear places in a small budget: no rounding is best, and one step does not prove it."""
    rng = np.random.default_rng(2)
    n, years = 300, 3
    cost = rng.lognormal(6, 0.3, n)
    saving = (cost * rng.lognormal(0, 0.1, n))[:, None] * np.array([1, 0.95, 0.9])
    case = Candidates(np.repeat(np.arange(n), years), np.zeros(n * years, int),
                      np.tile(np.arange(years), n), saving.reshape(-1, 1),
                      np.repeat(cost, years), np.repeat(cost / 120, years), undrawn(n * years))
    money, hours = np.full(years, cost.mean() * 2.5), np.full(years, np.inf)
    short, whole = (best_choice(case, budgets=money, hours=hours, gap=0.0005, most_steps=steps)
                    for steps in (1, 100_000))
    assert whole.gap <= 0.0005 < short.gap
    assert short.saving <= whole.saving <= short.bound
    assert feasible(case, short.chosen, money, hours)


def test_nothing_to_choose_from_gives_an_empty_choice() -> None:
    none = np.zeros(0, int)
    case = Candidates(none, none, none, np.zeros((0, 1)), np.zeros(0), np.zeros(0),
                      undrawn(0))
    best = best_choice(case, budgets=np.ones(2), hours=np.ones(2), gap=0.0)
    assert best.saving == 0
    assert len(best.chosen) == 0


def test_no_money_covers_nothing() -> None:
    case, _, hours = random_case(np.random.default_rng(0))
    assert not best_choice(case, budgets=np.zeros(2), hours=hours, gap=0.0).chosen.any()
