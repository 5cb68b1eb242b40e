"""Margin, markup and the price of each form."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.contract.cost import tail_mean
from rehit.contract.price import Outlook, price_forms
from rehit.errors import SettingError, TableError
from rehit.parameters import load_parameters

#: Nothing goes off the price here but cost and margin.
NUMBERS = load_parameters().override({
    "contract.supervision_share": 0, "contract.insurance_share": 0, "contract.bond_share": 0})


def outlook(cost: np.ndarray) -> Outlook:
    flat = np.full_like(cost, 100.0)
    jobs = cost / 10
    bases = {"schedule_of_rates": jobs * 10, "lump_sum": flat,
             "banded_lump_sum": flat + 8 * np.maximum(0, jobs - 11), "cost_plus": cost}
    return Outlook(cost, bases, {}, {}, 11.0, 8.0, 1.0, np.ones_like(cost))


def test_margin_and_markup_against_contractors_guides() -> None:
    """Contractors' guides: 25 % markup is 20 % margin; 25 % margin on 10,000 asks 13,333."""
    certain = outlook(np.full((10, 1), 10_000.0))
    fifth, quarter = (price_forms(certain, margin=margin, parameters=NUMBERS)
                      for margin in (0.2, 0.25))
    plus = fifth[fifth["form"] == "cost_plus"]
    assert plus["expected_markup"].to_numpy() == pytest.approx(0.25)
    assert quarter["price_per_year"].to_numpy() == pytest.approx(13_333, abs=0.5)
    with pytest.raises(SettingError, match="markup of 25\xa0%"):
        price_forms(certain, margin=1.0, parameters=NUMBERS)


def test_price_at_each_level_keeps_the_margin_as_often_as_it_says() -> None:
    rng = np.random.default_rng(3)
    cost = rng.normal(100, 10, (5001, 1))
    prices = price_forms(outlook(cost), margin=0.2, parameters=NUMBERS).set_index(
        ["form", "level"])
    for level in (0.5, 0.8, 0.9):
        lump = prices.loc[("lump_sum", level)]
        assert lump["price_per_year"] == pytest.approx(np.quantile(cost, level) / 0.8)
        assert lump["chance_margin_kept"] == pytest.approx(level, abs=2e-4)
        assert lump["tail_profit_per_year"] == pytest.approx(
            lump["price_per_year"] - tail_mean(cost[:, 0], 0.9))
        plus = prices.loc[("cost_plus", level)]
        assert plus["expected_margin"] == pytest.approx(0.2)
        assert plus["expected_markup"] == pytest.approx(0.25)
        assert plus["chance_of_loss"] == 0
    banded, lump = (prices.loc[(form, 0.9)] for form in ("banded_lump_sum", "lump_sum"))
    assert banded["price_per_year"] < lump["price_per_year"]
    assert banded["tail_profit_per_year"] > lump["tail_profit_per_year"] - 12


def test_years_without_a_job_leave_a_price_or_one_message() -> None:
    """Rates earn nothing in a year without jobs: one year in twenty is borne, one in four is not.
    """
    cost = np.linspace(90, 110, 400)[:, None]
    kept, idle = outlook(cost), np.arange(400)[:, None]
    kept.bases["schedule_of_rates"][:] = np.where(idle % 20 == 0, 0.0, 100.0)
    prices = price_forms(kept, margin=0.1, parameters=NUMBERS).set_index(["form", "level"])
    rates = prices.loc[("schedule_of_rates", 0.9)]
    assert np.isfinite(rates["price_per_year"])
    assert rates["chance_margin_kept"] == pytest.approx(0.9, abs=0.01)
    kept.bases["schedule_of_rates"][idle % 4 == 0] = 0.0
    with pytest.raises(TableError, match="schedule of rates: got 25% of simulated contracts"):
        price_forms(kept, margin=0.1, parameters=NUMBERS)


def test_what_goes_off_every_price_is_earned_before_the_margin() -> None:
    """Supervision and insurance as 6 % of the price: 100 / (1 - 0.2 - 0.06) and no loss of it."""
    cost = np.full((100, 1), 100.0)
    numbers = NUMBERS.override({"contract.supervision_share": 0.04,
                                "contract.insurance_share": 0.02})
    row = price_forms(outlook(cost), margin=0.2, parameters=numbers).set_index(
        ["form", "level"]).loc[("lump_sum", 0.8)]
    assert row["price_per_year"] == pytest.approx(100 / 0.74)
    assert row["expected_margin"] == pytest.approx(0.2)
    assert row["cost_per_year"] == pytest.approx(100 + 0.06 * 100 / 0.74)
    with pytest.raises(SettingError, match="off every price"):
        price_forms(outlook(cost), margin=0.95, parameters=numbers)
