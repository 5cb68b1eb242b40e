"""The options of the cost commands: measured effects, shares of the variance, the robust choice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.costs.programme import Programme
from rehit.costs.sensitivity import tornado
from rehit.errors import ManyErrors
from rehit.outputs.costs import (
    effect_table,
    use_measured_effects,
    write_comparison,
    write_programme,
    write_sensitivity,
)

COATING = "permanent_coating=coating"


@pytest.fixture
def chain(demo_chain: Chain) -> Chain:
    """The demo town."""
    assert len(demo_chain.costing)
    return demo_chain


def test_a_measured_effect_replaces_the_none_assumed(chain: Chain, tmp_path: Path) -> None:
    """The demo town's coating was planted with half the rate; its verdict is "worked"."""
    plain = chain.strategy_costs.groupby("strategy")["cheapest"].sum()
    summary = write_comparison(chain, tmp_path, horizon_years=None, measured=[COATING])
    table = pd.read_csv(tmp_path / "measured_effect.csv").set_index("case")
    measured = table.loc["as_measured"]
    assert measured["effect"] == pytest.approx(0.5, abs=0.15)
    assert table["effect"].is_monotonic_increasing
    assert table.loc["no_effect", "n_cheapest"] == plain["permanent_coating"]
    assert summary["cheapest"]["permanent_coating"] == measured["n_cheapest"]
    assert measured["n_cheapest"] > plain["permanent_coating"]
    # Formula against the table of the comparison, which is worked out place by place.
    assert measured["saving"] == pytest.approx(summary["saving"], rel=1e-6)
    text = " ".join(summary["sentences"])
    assert f"taken to prevent {measured['effect']:.0%} of markings" in text
    assert "No effect of coating" not in text


def test_a_measure_without_a_verdict_changes_nothing(chain: Chain) -> None:
    """The planted lighting does nothing, and the data say "can't tell"."""
    chain, effects = use_measured_effects(chain, ["sacrificial_coating=lighting"])
    assert not effects[0].usable
    assert chain.effects == {}
    assert [s.effect_on_rate for s in chain.strategies] == [0] * 5
    assert set(effect_table(chain, effects)["case"]) >= {"no_effect", "as_measured"}


def test_unknown_strategies_and_measures_come_in_one_error(chain: Chain) -> None:
    with pytest.raises(ManyErrors) as caught:
        use_measured_effects(chain, ["varnish=coating", "permanent_coating=magic", "nothing"])
    said = str(caught.value)
    assert len(caught.value.errors) == 4
    assert "'varnish'" in said
    assert "coating, lighting" in said


def test_the_baseline_may_not_be_given_an_effect(chain: Chain) -> None:
    chain, _ = use_measured_effects(chain, ["remove_each_time=coating"])
    with pytest.raises(ManyErrors, match="a baseline that only cleans"):
        _ = chain.strategies


def test_shares_of_the_variance_are_written_where_asked(chain: Chain, tmp_path: Path) -> None:
    chain = chain.with_parameters({"costs.variance_sample": 16, "costs.variance_numbers": 3})
    place = chain.costing.head(1)
    assert write_sensitivity(chain, tmp_path, place, strategy="permanent_coating",
                             shares=False) == []
    assert not (tmp_path / "variance_shares.csv").exists()
    said = write_sensitivity(chain, tmp_path, place, strategy="permanent_coating", shares=True)
    shares = pd.read_csv(tmp_path / "variance_shares.csv")
    widest = tornado(place, strategy="permanent_coating", parameters=chain.cost_parameters)["name"]
    assert set(shares["name"]) == set(widest[widest != "re-hit rate"].head(3))
    assert said[0].facts["name"] == shares["name"].iloc[0]


def test_the_robust_programme_is_no_worse_in_the_worse_case(
        chain: Chain, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chosen: list[Programme] = []
    choose = Chain.programme

    def kept(chain: Chain, **asked: Any) -> Programme:
        chosen.append(choose(chain, **asked))
        return chosen[-1]

    monkeypatch.setattr(Chain, "programme", kept)
    # What other budgets would save is not looked at here, and takes longer than the choice.
    monkeypatch.setattr(Chain, "budget_sweep", lambda *_, **__: pd.DataFrame({"budget": [0.0]}))
    small = {"budget_per_year": 2000.0, "years": 2}
    average = write_programme(chain, tmp_path, **small)
    robust = write_programme(chain, tmp_path, **small, robust=True)
    found = chosen[-1]
    assert found.saving_worst >= found.saving_worst_otherwise * (1 - 0.001)
    assert robust["saving"] <= average["saving"] * 1.001
    assert any("in the worse case it saves" in sentence for sentence in robust["sentences"])
    assert not any("worse case" in sentence for sentence in average["sentences"])
    assert found.by_year["money_used"].max() <= 2000
