"""The sentence on the coating programme, with and without one."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rehit.costs.programme import choose_programme
from rehit.costs.strategies import Strategy, load_strategies
from rehit.outputs.costs import programme_message, worth_messages
from rehit.parameters import load_parameters
from rehit.report.say import Say


def _chain(*, allowed: bool, pays: bool, method: str = "hot_wash") -> Any:
    return SimpleNamespace(
        parameters={"costs.programme_budget": 20000.0, "costs.horizon_years": 10.0},
        project=SimpleNamespace(currency="€"),
        costing=pd.DataFrame({"coating_allowed": [allowed, allowed, False],
                              "method": method}),
        strategy_costs=pd.DataFrame({"cheapest": [True, pays], "first_cost": [0.0, 90.0]}))


@pytest.mark.parametrize(("table", "allowed", "pays", "said"), [
    ([1000.0, 500.0], True, True, "2 places are worth coating within €20,000 a year for 5 years: "
     "that costs €1,500 and is expected to save €900 in present value over 10 years: between "
     "\u2212€100 and €1,800 in eight cases of ten, with a chance of 12% that it costs "
     "more than it saves."),
    ([], True, False, "No coating pays: on none of the 2 places of known surface that allow "
     "one does it cost less over 10 years than the cheapest way without."),
    ([], False, False, "No coating can be planned: none of the 3 places is known to be a surface "
     "whose owner allows one. A register says so in coating_allowed."),
    ([], True, True, "Nothing can be coated within €20,000 a year for 5 years, though 1 place "
     "is worth it: the budget is too small for any of them.")])
def test_programme_is_said_or_why_there_is_none(table: list[float], allowed: bool, pays: bool,
                                                said: str) -> None:
    found: Any = SimpleNamespace(table=pd.DataFrame({"first_cost": table}), saving=900.0,
                                 saving_low=-100.0, saving_high=1800.0, chance_of_loss=0.12)
    told = programme_message(_chain(allowed=allowed, pays=pays), found, years=5)
    assert Say("en")(told) == said
    assert Say("es")(told) != said


def test_what_is_not_known_is_looked_at_before_it_is_coated() -> None:
    found: Any = SimpleNamespace(table=pd.DataFrame({"first_cost": []}), saving=0.0)
    chain = _chain(allowed=True, pays=False, method="inspect")
    assert Say("en")(programme_message(chain, found, years=5)) == (
        "No coating can be planned: of none of the 2 places that allow one is the surface known. "
        "Look at the worst of them first.")


def test_a_council_reads_what_is_money_what_hours_and_when_it_pays_back(one_wall) -> None:
    """Fault: a saving of crew hours read as cash; pay-back and cost per marking were nowhere."""
    numbers = load_parameters()
    lamp = Strategy(name="lamp", meaning="lighting", first_cost=900, life_years=10,
                    effect_on_rate=0.5)
    ways = (load_strategies(parameters=numbers)[0], lamp)
    found = choose_programme(one_wall, strategies=ways, budget_per_year=1e4, years=1,
                             under_doubt=False, rng=np.random.default_rng(1), parameters=numbers)
    chain: Any = SimpleNamespace(costing=one_wall, strategies=ways, cost_parameters=numbers)
    cash, back, prevents = worth_messages(chain, found.table)
    facts = {**cash.facts, **back.facts, **prevents.facts}
    assert facts["labour"] + facts["rest"] == pytest.approx(found.saving)
    # Half of four washes a year by two people, 35 + 15 x 1.5 minutes each, in the middle of years.
    assert facts["hours"] == pytest.approx(2 * 2 * (35 + 15 * 1.5) / 60 * 1.035**0.5)
    assert facts["year"] == found.table["payback_year"].iloc[0]
    assert facts["n"] == pytest.approx(4 * 10 / 2)
    assert facts["each"] == pytest.approx(900 / 20)
    assert Say("en", "€").all([prevents]) == [
        "About 20.0 markings are prevented over 10 years, at a first cost of €45.0 for each."]
