"""Ranges carry unit costs, minutes, lives and rates, and the programme is chosen under them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.costs.doubt import Cause, Doubt, basis, causes, draw_doubt, draw_factors
from rehit.costs.lifecycle import compare_by_formula, compare_strategies, simulate, simulated_costs
from rehit.costs.programme import budget_sweep, choose_programme, find_prospects, with_futures
from rehit.costs.sensitivity import responses, shifted, value_of_information
from rehit.costs.strategies import Strategy, load_strategies
from rehit.parameters import load_parameters

NUMBERS = load_parameters()


@pytest.fixture
def busy(make_places) -> pd.DataFrame:
    """Sixty places hit often."""
    places = make_places(60, np.random.default_rng(3))
    return places.assign(gamma_shape=places["gamma_shape"] * 3 + 6)


def test_every_cause_moves_numbers_that_exist_and_peaks_at_one() -> None:
    strategies = load_strategies(parameters=NUMBERS)
    for cause in causes(NUMBERS):
        assert 0 <= cause.low < 1 < cause.high
        for target in cause.targets:
            room, _, name = target.partition(".")
            assert target == "rate" or (
                room in ("covering", "any") and hasattr(strategies[0], name)) or (
                room == "costs" and any(n.startswith(target.rstrip("*")) for n in NUMBERS))


def test_factors_are_triangular() -> None:
    """Mean (a + b + c) / 3, variance (a² + b² + c² - ab - ac - bc) / 18."""
    known = [Cause("x", (), 0.5, 2.0)]
    drawn = draw_factors(known, draws=200_000, rng=np.random.default_rng(1))[0]
    assert drawn.mean() == pytest.approx(3.5 / 3, rel=0.005)
    assert drawn.var() == pytest.approx((0.25 + 1 + 4 - 0.5 - 1 - 2) / 18, rel=0.02)
    assert basis(drawn[None], known).max() <= 1


def test_a_moved_price_moves_the_cost_as_a_fresh_comparison_says(one_wall) -> None:
    strategies = load_strategies(parameters=NUMBERS)
    known = [c for c in causes(NUMBERS) if c.name in ("call_out", "coating_price")]
    moved = responses(one_wall, strategies, known=known, horizon_years=10, parameters=NUMBERS)
    dear = NUMBERS.override({"costs.call_out": 40 * 1.5})
    fresh, base = (compare_by_formula(one_wall, strategies=strategies, parameters=p)
                   for p in (dear, NUMBERS))
    for number in range(4):
        assert moved[2, 0, number] == pytest.approx(float(
            fresh.expected[number].present_value[0] - base.expected[number].present_value[0]))
    assert moved[3, 0, 0] == 0  # the price of coating is nothing to removing


def test_the_saving_of_a_programme_carries_its_unit_costs(busy) -> None:
    """Fault: "3,800 to 4,400 a year" carried rates and counts alone."""
    money = {"budget_per_year": 1e4, "crew_hours_per_year": 1e6, "years": 3, "parameters": NUMBERS}
    sure = choose_programme(busy, under_doubt=False, rng=np.random.default_rng(1), **money)
    found = choose_programme(busy, rng=np.random.default_rng(1), **money)
    assert found.saving_high - found.saving_low > 2 * (sure.saving_high - sure.saving_low)
    assert found.saving_low < found.saving < found.saving_high
    assert found.saving < sure.saving  # a life of ten years is the best case, not the middle
    assert 0 <= found.chance_of_loss <= NUMBERS["costs.programme_regret"]


def test_expected_savings_are_the_mean_over_worlds_not_a_straight_line(busy) -> None:
    """Fault: straight lines between the ends of a life's range took 90 off each saving.

    The programme then left money unspent and saved no more than the plain ranking. Held against
    the formula worked out afresh in each of eight worlds.
    """
    life = next(cause for cause in causes(NUMBERS) if cause.name == "coating_life")
    worlds = Doubt((life,), draw_factors((life,), draws=8, rng=np.random.default_rng(3)))
    busy = busy.head(20)
    strategies = [s for s in load_strategies(parameters=NUMBERS)
                  if s.name in ("remove_each_time", "permanent_coating")]
    numbers = NUMBERS.override({"costs.draws": 2000})
    found = find_prospects(busy, strategies=strategies, years=1, horizon_years=10,
                           scenarios=False, parameters=numbers)
    unsure = with_futures(found, parameters=numbers, doubt=worlds, keep_all=True,
                          rng=np.random.default_rng(4)).candidates
    fresh = []
    for factor in worlds.factors[0]:
        costing, moved, there = shifted(life, factor, busy, strategies, numbers)
        costs = np.column_stack([e.present_value for e in compare_by_formula(
            costing, strategies=moved, parameters=there).expected])
        fresh.append(costs[unsure.place, found.instead_of[unsure.place]]
                     - costs[unsure.place, unsure.strategy])
    expected = np.mean(fresh, axis=0)
    assert unsure.saving[:, 0].mean() == pytest.approx(expected.mean(), abs=20)
    assert np.abs(unsure.saving[:, 0] - expected).max() < 0.05 * unsure.cost.max()


def test_a_programmes_chances_and_sums_come_from_one_draw(busy) -> None:
    """Fault: chances of a loss were drawn twice, futures again for every figure that needs them."""
    found = choose_programme(busy, budget_per_year=1e4, crew_hours_per_year=1e6, years=3,
                             parameters=NUMBERS, rng=np.random.default_rng(1))
    options = found.prospects.candidates
    place = busy["place_id"].to_numpy()[options.place]
    row = found.table.iloc[0]
    one = (place == row["place_id"]) & (options.year == row["year"] - 1)
    losses = (options.futures[one] < 0).mean(axis=1)
    assert row["chance_of_loss"] in losses
    assert options.futures.mean(axis=1) == pytest.approx(options.saving[:, 0], rel=1e-5, abs=0.01)
    assert found.saving == pytest.approx(found.table["saving"].sum())


def test_what_is_not_worth_the_trouble_is_left_out(busy) -> None:
    """Fault: 21 of 174 items saved under 20 in ten years; one spent 1,570 to save 5."""
    found = choose_programme(busy, budget_per_year=1e6, crew_hours_per_year=1e6, years=3,
                             parameters=NUMBERS, rng=np.random.default_rng(1))
    sure = choose_programme(busy, budget_per_year=1e6, crew_hours_per_year=1e6, years=3,
                            under_doubt=False, parameters=NUMBERS, rng=np.random.default_rng(1))
    assert (found.table["saving"] >= NUMBERS["costs.programme_least_saving"]).all()
    assert (found.table["saving_per_cost"] >= NUMBERS["costs.programme_least_ratio"]).all()
    assert 0 < len(found.table) < len(sure.table)


def test_regret_is_kept_within_what_is_accepted(busy) -> None:
    strict = NUMBERS.override({"costs.programme_regret": 0.01})
    money = {"budget_per_year": 1e6, "crew_hours_per_year": 1e6, "years": 3}
    found = choose_programme(busy, parameters=strict, rng=np.random.default_rng(1), **money)
    assert found.chance_of_loss <= 0.01


def test_more_or_less_money_is_looked_at_within_the_same_regret(busy) -> None:
    """Fault: the row of the programme's own money told of another programme, likelier to lose."""
    strict = NUMBERS.override({"costs.programme_regret": 0.01})
    found = choose_programme(busy, parameters=strict, rng=np.random.default_rng(1), years=3,
                             budget_per_year=1e6, crew_hours_per_year=1e6)
    own = budget_sweep(found, parameters=strict, shares=[1.0]).iloc[0]
    annuity = found.prospects.comparisons[0].timeline.annuity
    assert own["n_places"] == len(found.table)
    assert own["saving_per_year"] == pytest.approx(found.saving / annuity)
    assert own["saving_low"] == pytest.approx(found.saving_low / annuity)


def test_value_of_information_by_hand() -> None:
    """One option that saves 10, or -20 at the low end, half of the time each way.

    With the cause known the option is left where it loses: the mean of what it then saves.
    """
    known = [Cause("life", (), 0.0, 2.0)]
    table = value_of_information(np.array([10.0]), np.array([[-30.0, 0.0]]), known=known,
                                 parameters=NUMBERS.override({"costs.draws": 100_000}),
                                 rng=np.random.default_rng(1)).iloc[0]
    # Factor f is triangular on 0 to 2: below 1 the saving is 10 - 30 (1 - f), nothing at f = 2/3.
    # E saving = 10 - 30 E(1 - f)+ = 10 - 30 / 6 = 5; the loss avoided is the integral of
    # (20 - 30 f) f over 0 to 2/3 = 10 (2/3)² - 10 (2/3)³.
    assert table["worth"] == pytest.approx(10 * (2 / 3)**2 - 10 * (2 / 3)**3, rel=0.03)
    assert table["flips_at"] == pytest.approx(2 / 3)


def test_a_known_pay_rate_is_worth_little_to_know(busy) -> None:
    own = NUMBERS.override({"costs.labour_per_hour": 60})
    strategies = load_strategies(parameters=own)
    known = causes(own)
    moved = responses(busy, strategies, known=known, horizon_years=10, parameters=own)
    base = compare_by_formula(busy, strategies=strategies, parameters=own)
    costs = np.column_stack([e.present_value for e in base.expected])
    table = value_of_information(
        costs[:, 0] - costs[:, 3], (moved[:, :, 0] - moved[:, :, 3]).T, known=known,
        parameters=own, rng=np.random.default_rng(1)).set_index("cause")
    assert table.index[0] in ("coating_life", "coating_cleaning", "markings", "coating_price")
    assert table.loc["labour", "worth"] < 0.05 * table["worth"].max()
    assert isinstance(table, pd.DataFrame)


@pytest.mark.parametrize("cause", causes(NUMBERS), ids=lambda cause: cause.name)
def test_a_world_at_the_end_of_a_cause_costs_what_the_moved_numbers_cost(
        cause, make_places) -> None:
    """Simulated in that world against the formula at the moved numbers, every strategy.

    Walls are either much larger than a marking or not: one that a single patch nearly fills is
    painted whole or patched as at the stated numbers in every world.
    """
    places = make_places(12, np.random.default_rng(4))
    places["wall_area_m2"] = places["wall_area_m2"].clip(lower=4 * places["mark_area_m2"])
    lamp = Strategy(name="lamp", meaning="lighting", first_cost=900, yearly_cost=40, life_years=7,
                    effect_on_rate=0.3)
    strategies = [*load_strategies(parameters=NUMBERS), lamp]
    base = compare_by_formula(places, strategies=strategies, parameters=NUMBERS)
    for end in (cause.low, cause.high):
        costing, moved, numbers = shifted(cause, end, places, strategies, NUMBERS)
        there = compare_by_formula(costing, strategies=moved, parameters=numbers)
        found = simulate(base.pieces, [e.weights for e in base.expected], shape=base.shape,
                         rate_years=base.rate_years, draws=2000, level=0.8,
                         doubt=Doubt((cause,), np.full((1, 1), end)), rng=np.random.default_rng(5))
        formula = np.column_stack([e.present_value for e in there.expected])
        score = (found.mean - formula) / np.maximum(found.standard_error, 0.005 * formula)
        assert np.abs(score).max() < 4


def test_intervals_and_chances_of_the_comparison_carry_unit_costs(busy) -> None:
    """Fault: "more than 99 % sure to be cheapest", as if every unit cost were known."""
    sure, unsure = (compare_strategies(busy, parameters=NUMBERS, rng=np.random.default_rng(1),
                                       doubt=doubt)
                    for doubt in (Doubt((), np.ones((0, 1))), None))
    assert (sure["pv_mean"] == unsure["pv_mean"]).all()
    width = ((unsure["pv_high"] - unsure["pv_low"]) / (sure["pv_high"] - sure["pv_low"]))
    assert width.median() > 1.3
    coated = sure["cheapest"] & sure["strategy"].eq("permanent_coating")
    certain, left = ((t.loc[coated, "chance_cheapest"] > 0.99).mean() for t in (sure, unsure))
    assert certain > 0.2
    assert left < certain / 2


def test_one_world_moves_every_place_at_once(busy) -> None:
    """A town's interval is wider than if each place had unit costs of its own."""
    compared = compare_by_formula(busy, parameters=NUMBERS)

    def costs(doubt: Doubt) -> np.ndarray:
        return simulated_costs(
            compared.pieces, [e.weights for e in compared.expected], rows=np.arange(len(busy)),
            shape=compared.shape, rate_years=compared.rate_years, draws=1000, doubt=doubt,
            rng=np.random.default_rng(6))[0]

    found = costs(draw_doubt(NUMBERS, rng=np.random.default_rng(2)))
    together, apart = found.sum(axis=0).std(), np.sqrt((found.std(axis=1)**2).sum())
    assert together > 2 * apart
