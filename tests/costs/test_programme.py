"""The programme keeps to permissions and budgets and tells what it is held against."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.costs.lifecycle import compare_strategies
from rehit.costs.programme import Programme, budget_sweep, choose_programme, per_year
from rehit.errors import SettingError
from rehit.outputs.costs import owner_messages
from rehit.parameters import load_parameters
from rehit.report.say import Say

PARAMETERS = load_parameters().override({"costs.draws": 300, "costs.programme_gap": 0.0,
                                         "costs.programme_sweep_gap": 0.0})


@pytest.fixture
def busy(make_places):
    """Sixty places hit often."""
    places = make_places(60, np.random.default_rng(3))
    return places.assign(gamma_shape=places["gamma_shape"] * 3 + 6)


def choose(places, **options) -> Programme:
    return choose_programme(places, years=3, parameters=PARAMETERS, rng=np.random.default_rng(1),
                            **({"under_doubt": False} | options))


def test_never_coats_what_the_owner_forbids(busy) -> None:
    found = choose(busy, budget_per_year=1e6, crew_hours_per_year=1e6)
    forbidden = set(busy.loc[~busy["coating_allowed"], "place_id"])
    assert len(found.table) > 5
    assert not forbidden & set(found.table["place_id"])
    assert choose(busy.assign(coating_allowed=False), budget_per_year=1e6).table.empty


def test_money_and_hours_of_every_year_are_kept(busy) -> None:
    found = choose(busy, budget_per_year=[900, 500, 0], crew_hours_per_year=20)
    assert (found.by_year["money_used"] <= [900, 500, 0]).all()
    assert (found.by_year["hours_used"] <= 20).all()
    assert found.by_year["money_used"].sum() == pytest.approx(found.table["first_cost"].sum())
    assert found.table["place_id"].is_unique


def test_savings_of_the_first_year_are_those_of_the_comparison(busy) -> None:
    """With money without end all start at once, and each saves what the comparison says."""
    found = choose(busy, budget_per_year=1e6, crew_hours_per_year=1e6)
    costs = compare_strategies(busy, draws=10, parameters=PARAMETERS,
                               rng=np.random.default_rng(2)).set_index(["place_id", "strategy"])
    first = found.table[found.table["year"] == 1]
    assert len(first) > 5
    for row in first.itertuples():
        saved = (costs.loc[(row.place_id, row.instead_of), "pv_mean"]
                 - costs.loc[(row.place_id, row.strategy), "pv_mean"])
        assert row.saving == pytest.approx(saved, rel=1e-6)
    assert found.saving == pytest.approx(found.table["saving"].sum())


def test_the_plain_ranking_stands_beside_and_is_never_better(busy) -> None:
    found = choose(busy, budget_per_year=700)
    assert found.saving_greedy <= found.saving + 1e-6
    assert found.gap < 1e-4
    assert found.greedy["saving"].sum() == pytest.approx(found.saving_greedy)
    assert found.saving_low < found.saving < found.saving_high


def test_the_robust_choice_is_best_in_its_worst_case(busy) -> None:
    plain = choose(busy, budget_per_year=1500)
    robust = choose(busy, budget_per_year=1500, robust=True)
    assert robust.saving <= plain.saving + 1e-6
    assert robust.saving_worst <= robust.saving
    assert np.isnan(plain.saving_worst)


def test_more_budget_never_saves_less(busy) -> None:
    sweep = budget_sweep(choose(busy, budget_per_year=800), parameters=PARAMETERS)
    assert (np.diff(sweep["saving_per_year"]) >= -1e-6).all()
    assert sweep["saving_per_year"].iloc[0] == 0
    assert sweep.loc[sweep["chosen"], "budget"].tolist() == [2400]


def test_the_budget_given_saves_what_the_programme_saves(busy) -> None:
    """Other budgets are searched less closely; the programme's own row is the programme."""
    coarse = PARAMETERS.override({"costs.programme_sweep_gap": 0.1})
    found = choose(busy, budget_per_year=800)
    sweep = budget_sweep(found, parameters=coarse)
    own = sweep.loc[sweep["chosen"], "saving_per_year"].iloc[0]
    assert own == pytest.approx(found.table["saving_per_year"].sum(), rel=1e-12)
    exact = budget_sweep(found, parameters=PARAMETERS.override({"costs.programme_sweep_gap": 0.0}))
    assert (sweep["saving_per_year"] >= 0.9 * exact["saving_per_year"]).all()
    assert (sweep["saving_per_year"] < exact["saving_per_year"] - 1e-6).any()


def test_amounts_must_match_the_years() -> None:
    assert per_year(None, 3, 5.0).tolist() == [5, 5, 5]
    with pytest.raises(SettingError, match="3 of them, one per year"):
        per_year([1, 2], 3, 5.0)
    with pytest.raises(SettingError, match="from 0"):
        per_year(-1, 3, 5.0)


def test_a_programme_longer_than_the_horizon_is_refused(busy) -> None:
    with pytest.raises(SettingError, match="1 to the horizon of 2 years"):
        choose(busy, horizon_years=2)


def test_no_budget_at_all_is_one_row_that_saves_nothing(busy) -> None:
    """Eight multiples of nothing were eight rows of one key, and the command failed."""
    sweep = budget_sweep(choose(busy, budget_per_year=0), parameters=PARAMETERS)
    assert sweep["budget"].tolist() == [0]
    assert sweep["saving_per_year"].tolist() == [0]
    assert sweep["chosen"].tolist() == [True]


def test_who_has_to_be_asked_stands_beside_each_place(busy) -> None:
    """Fault: an owner nobody had asked counted as one who allows; whose wall it is was left out."""
    said = pd.array([True, False, pd.NA] * 20, dtype="boolean")
    places = busy.assign(coating_allowed=said, owner=["council", "rail", "school"] * 20)
    found = choose(places, budget_per_year=1e6, crew_hours_per_year=1e6).table
    assert dict(zip(found["owner"], found["consent"], strict=True)) == {
        "council": "given", "school": "to_ask"}
    told = Say("en", "€").all(owner_messages(found))
    n = int(found["consent"].eq("to_ask").sum())
    assert told[0] == (f"Ask first: of {n} of the {len(found)} places nobody has said that the "
                       "owner allows a coating.")
    assert told[1].startswith("Agree with each owner who pays: ")
    assert f"school ({n} places, €" in told[1]
