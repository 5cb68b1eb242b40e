"""Yardsticks of single investments against printed values."""

from __future__ import annotations

import pytest

from rehit.costs.discounting import (
    adjusted_internal_rate_of_return,
    economic_life,
    internal_rate_of_return,
    repeated_to_common_horizon,
    savings_to_investment_ratio,
)


def test_irr_against_numpy_financial_1_0_0_docstring() -> None:
    rate = internal_rate_of_return([-250_000, 100_000, 150_000, 200_000, 250_000, 300_000])
    assert rate == pytest.approx(0.5672303344, abs=5e-11)


def test_irr_against_finance_textbook_issuhub_5621() -> None:
    """25.2 % for one run and, being the same project, for two."""
    flow = [-20_000, 7_000, 13_000, 12_000]
    assert internal_rate_of_return(flow) == pytest.approx(0.252, abs=5e-4)
    twice = repeated_to_common_horizon(flow, horizon_years=6).tolist()
    assert twice[3] == -8_000
    assert internal_rate_of_return([-20_000, 7_000, 13_000, 12_000, 0, 0, 0]) == pytest.approx(
        0.2519721, abs=5e-8)


@pytest.mark.parametrize("flow", [[1, 2, 3], [-100, 230, -132], [0, 0], [-1000, 1]])
def test_no_single_rate_of_return_is_invented(flow: list[float]) -> None:
    assert internal_rate_of_return(flow, lowest=-0.5) is None


def test_ratio_and_yield_against_nist_E3_alternative_summary() -> None:
    ratio = savings_to_investment_ratio(operating_saving=550 - 300, extra_investment=200 - 100)
    assert ratio == 2.5
    found = adjusted_internal_rate_of_return(ratio, discount_rate=0.05, n_years=10)
    assert float(found) == pytest.approx(0.150756137704478, abs=5e-16)


def test_economic_life_against_AUC_ENGR345_example_11_2() -> None:
    """10 %, 13000: AW -7800, -6276, -6132 printed for n = 1-3; best to keep 3 years."""
    annual = economic_life(13_000, market_values=[9_000, 8_000, 6_000, 2_000, 0],
                           yearly_costs=[2_500, 2_700, 3_000, 3_500, 4_500], discount_rate=0.1)
    assert annual[:3] == pytest.approx([7_800, 6_276, 6_132], abs=0.5)
    assert annual[3:] == pytest.approx([6_556, 6_580], abs=0.5)
    assert annual.argmin() + 1 == 3
