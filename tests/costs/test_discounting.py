"""Present values against the printed digits of the sources named in each test."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rehit.costs.discounting import (
    annuity_factor,
    discount_factor,
    equivalent_annual_cost,
    escalated,
    implied_inflation,
    net_present_value,
    nominal_rate,
    payment,
    real_rate,
    repeated_to_common_horizon,
    residual_value,
    schedule_rates,
    year_factors,
)
from rehit.errors import SettingError


def test_npv_against_numpy_financial_1_0_0_docstring() -> None:
    first = net_present_value([-40_000, 5_000, 8_000, 12_000, 30_000], discount_rate=0.08)
    second = net_present_value([-15_000, 1_500, 2_500, 3_500, 4_500, 6_000], discount_rate=0.05)
    assert first == pytest.approx(3065.22267, abs=5e-6)
    assert second == pytest.approx(122.89, abs=5e-3)


def test_annuities_against_numpy_financial_1_0_0_tests() -> None:
    assert 12_000 * annuity_factor(20, discount_rate=0.07) == pytest.approx(127128.17, abs=5e-3)
    monthly = payment(15_000, rate_per_period=0.08 / 12, n_periods=60)
    assert monthly == pytest.approx(304.145914, abs=5e-7)


def test_factors_against_EngrEcon_1_0_0_man_pages() -> None:
    """CRAN EngrEcon, 8 % over 30 years, printed to the cent."""
    uniform = annuity_factor(30, discount_rate=0.08)
    single = float(discount_factor(30, discount_rate=0.08))
    assert 30_000 * uniform == pytest.approx(337_733.50, abs=5e-3)
    assert 200_000 / uniform == pytest.approx(17_765.49, abs=5e-3)
    assert 650_000 * single / uniform == pytest.approx(5_737.83, abs=5e-3)
    assert 30_000 * single == pytest.approx(2_981.32, abs=5e-3)


def test_recoat_cycle_against_EngrEcon_om_distribute() -> None:
    """1000 every 3 years to year 50 at 3 %: 16 events, 8174.547."""
    events = np.arange(3, 51, 3)
    assert len(events) == 16
    present = 1000 * discount_factor(events, discount_rate=0.03).sum()
    assert present == pytest.approx(8174.547, abs=5e-4)


def test_residual_against_nist_E3_test_new_bcn() -> None:
    """200 bought in year 1, life 30, horizon 10, 3 %: E3 counts year 1 as a whole year of use."""
    residual = residual_value(200, bought_year=1, life_years=30, horizon_years=10)
    assert residual == pytest.approx(133.3333, abs=5e-5)
    cost = 200 * float(discount_factor(1, discount_rate=0.03))
    credit = residual * float(discount_factor(10, discount_rate=0.03))
    assert cost == pytest.approx(194.174757, abs=5e-7)
    assert credit == pytest.approx(99.212522, abs=5e-7)
    assert cost - credit == pytest.approx(94.962235, abs=5e-7)


def test_the_other_residual_convention_is_offered_and_gives_140() -> None:
    other = residual_value(200, bought_year=1, life_years=30, horizon_years=10,
                           first_year_counts=False)
    assert other == pytest.approx(140)


def test_escalation_against_nist_E3_measures_unit_tests() -> None:
    """0.087 x 1000 units, price +3 %/y, quantity +5 %/y, years 1-10, 3 %."""
    years = np.arange(1, 11)
    present = (escalated(0.087 * 1000, years=years, growth=[0.03, 0.05])
               * year_factors(10, discount_rate=0.03))
    assert present[0] == pytest.approx(91.35, abs=5e-3)
    assert present[-1] == pytest.approx(141.713833, abs=5e-7)
    assert present.sum() == pytest.approx(1148.990483, abs=5e-7)
    assert present.sum() + 94.96223529532 == pytest.approx(1243.952718, abs=5e-7)


def test_declining_rates_against_the_green_book_factors() -> None:
    """HM Treasury Green Book: 3.5 % to year 30, 3 % to 75, 2.5 % to 125; factors to 4 digits."""
    factors = year_factors(125, discount_rate=0.0, schedule="green_book")
    for year, printed in ((10, 0.7089), (20, 0.5026), (40, 0.2651), (125, 0.0274)):
        assert factors[year - 1] == pytest.approx(printed, abs=5e-5)
    assert factors[30] == pytest.approx(0.3459, abs=5e-5)


def test_a_schedule_is_not_stretched_beyond_its_last_year() -> None:
    with pytest.raises(SettingError, match="to year 125"):
        schedule_rates("green_book", 126)
    with pytest.raises(SettingError, match="'purple_book' for 3 years"):
        schedule_rates("purple_book", 3)


@pytest.mark.parametrize(("nominal", "real", "inflation"), [
    (0.045, 0.022, 0.0225048924), (0.044, 0.022, 0.0215264188), (0.047, 0.025, 0.0214634146)])
def test_inflation_against_blcc_2024_rates(nominal: float, real: float, inflation: float) -> None:
    """usnistgov/blcc discount_rates.csv, 2024: the ratio of the growth factors."""
    assert implied_inflation(nominal=nominal, real=real) == pytest.approx(inflation, abs=5.1e-11)
    assert real_rate(nominal, inflation=inflation) == pytest.approx(real, abs=1e-9)
    assert nominal_rate(real, inflation=inflation) == pytest.approx(nominal, abs=1e-9)


@pytest.mark.parametrize(("timing", "factor"), [
    ("end", 0.744094), ("mid", 0.755173), ("begin", 0.766417)])
def test_timing_against_nist_handbook_135_rule(timing, factor: float) -> None:
    """Exponents n, n - 1/2, n - 1 (HB135 D.2.1.1, read in the EnergyPlus reference)."""
    assert year_factors(10, discount_rate=0.03, timing=timing)[-1] == pytest.approx(
        factor, abs=5e-7)


def test_repaint_against_touch_up_from_corrosion_doctors_solution_3() -> None:
    """5.12/m2, 8 %, 12 years: repaint in years 4 and 8 against touch-ups in 2, 4, 6, 8, 10."""
    repaints = 5.12 * discount_factor([4, 8], discount_rate=0.08).sum()
    touch_ups = discount_factor([2, 4, 6, 8, 10], discount_rate=0.08).sum()
    annual = equivalent_annual_cost([repaints, touch_ups], n_years=12, discount_rate=0.08)
    assert annual[0] == pytest.approx(0.866, abs=5e-4)
    assert annual[1] == pytest.approx(0.4281, abs=5e-5)
    assert annual[0] / annual[1] == pytest.approx(2.024, abs=5e-4)


def test_repaint_after_tax_from_corrosion_doctors_solution_3() -> None:
    """PW -6.91, A -.917: first coat written off over 4 years, repaints expensed, 44 % tax.

    The tax and the years of writing off are inferred, not read in the source.
    """
    shield = 5.12 * 0.44 / 4 * annuity_factor(4, discount_rate=0.08)
    repaints = 5.12 * discount_factor([4, 8], discount_rate=0.08).sum() * (1 - 0.44)
    present = 5.12 - shield + repaints
    assert present == pytest.approx(6.91, abs=5e-3)
    annual = float(equivalent_annual_cost(present, n_years=12, discount_rate=0.08))
    assert annual == pytest.approx(0.917, abs=5e-4)


def test_unequal_lives_against_annual_worth_slides() -> None:
    """Scribd 785732631, 12 %: X 30000, 18000/y, salvage 7000, 4 y; Y 50000, 16000/y, 9000, 6 y."""
    flows = {"X": [30_000, *[18_000] * 3, 11_000], "Y": [50_000, *[16_000] * 5, 7_000]}
    printed = {"X": 26_412, "Y": 27_052}
    chained = {"X": 163_608.24, "Y": 167_571.79}
    for name, flow in flows.items():
        present = net_present_value(flow, discount_rate=0.12)
        annual = float(equivalent_annual_cost(present, n_years=len(flow) - 1, discount_rate=0.12))
        assert annual == pytest.approx(printed[name], abs=0.5)
        common = repeated_to_common_horizon(flow, horizon_years=12).tolist()
        chain = net_present_value(common, discount_rate=0.12)
        assert chain == pytest.approx(chained[name], abs=5e-3)
        # Both ways of comparing unequal lives must agree.
        assert float(equivalent_annual_cost(chain, n_years=12, discount_rate=0.12)
                     ) == pytest.approx(annual, rel=1e-12)


def test_a_flow_run_twice_against_finance_textbook_issuhub_5621() -> None:
    flow = [-20_000, 7_000, 13_000, 12_000]
    twice = repeated_to_common_horizon(flow, horizon_years=6).tolist()
    assert net_present_value(twice, discount_rate=0.115) == pytest.approx(9281, abs=0.5)
    assert net_present_value(flow, discount_rate=0.115) == pytest.approx(5391.49, abs=5e-3)


def test_equivalent_annuities_against_course_hero_6561993() -> None:
    """14 %: -45000 + 20000 x 3 and -45000 + 12000 x 6; EAA 617 and 428, perpetuity 4407 and 3057.

    The source truncates 4407.74 to 4407.
    """
    for flow, annual, forever in (([-45_000, *[20_000] * 3], 617, 4407.74),
                                  ([-45_000, *[12_000] * 6], 428, 3056.52)):
        present = net_present_value(flow, discount_rate=0.14)
        found = float(equivalent_annual_cost(present, n_years=len(flow) - 1, discount_rate=0.14))
        assert found == pytest.approx(annual, abs=0.5)
        assert found * annuity_factor(np.inf, discount_rate=0.14) == pytest.approx(
            forever, abs=5e-3)


def test_omb_a94_appendix_b_from_memory() -> None:
    """From memory: 7 %, year ends; costs 106.40, benefits 142.41, net 36.01."""
    factors = year_factors(10, discount_rate=0.07)
    costs = np.array([10, 20, 30, 30, 20, 10, 5, 5, 5, 5]) @ factors
    benefits = np.array([0, 0, 5, 10, 30, 40, 40, 40, 40, 25]) @ factors
    assert costs == pytest.approx(106.40, abs=5e-3)
    assert benefits == pytest.approx(142.41, abs=5e-3)
    assert benefits - costs == pytest.approx(36.01, abs=5e-3)


def test_handbook_135_tables_from_memory() -> None:
    """From memory: 3 %; SPV 10, 12, 20 years .744 .701 .554; UPV 10, 20 years 8.53 14.88."""
    single = discount_factor([10, 12, 20], discount_rate=0.03)
    assert single == pytest.approx([0.744, 0.701, 0.554], abs=5e-4)
    assert annuity_factor(10, discount_rate=0.03) == pytest.approx(8.53, abs=5e-3)
    assert annuity_factor(20, discount_rate=0.03) == pytest.approx(14.88, abs=5e-3)


def test_annuity_limits_at_zero_rate_and_for_ever() -> None:
    assert annuity_factor(7, discount_rate=0) == 7
    assert annuity_factor(7, discount_rate=1e-9) == pytest.approx(7, rel=1e-7)
    assert annuity_factor(np.inf, discount_rate=0.05) == pytest.approx(20)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30), st.floats(0.0, 0.3))
def test_npv_agrees_with_numpy_financial_on_any_flow(flow: list[float], rate: float) -> None:
    ours = net_present_value(flow, discount_rate=rate)
    assert ours == pytest.approx(float(npf.npv(rate, flow)), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("rate", [-1, float("nan"), float("inf")])
def test_a_senseless_rate_is_refused(rate: float) -> None:
    with pytest.raises(SettingError, match="above -1"):
        net_present_value([1, 2], discount_rate=rate)


def test_a_horizon_that_cuts_a_life_is_refused() -> None:
    with pytest.raises(SettingError, match="a multiple of the life, 3 years"):
        repeated_to_common_horizon([5, 1, 1, 1], horizon_years=10)


def test_an_unknown_timing_is_refused() -> None:
    with pytest.raises(SettingError, match="end, mid, begin"):
        year_factors(3, discount_rate=0.03, timing="late")  # type: ignore[arg-type]
