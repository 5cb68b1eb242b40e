"""Present values against the printed digits of the sources named in each test."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rehit.costs.discounting import (
    Timeline,
    adjusted_internal_rate_of_return,
    annuity_factor,
    make_timeline,
    schedule_rates,
)
from rehit.errors import SettingError
from rehit.parameters import load_parameters

KINDS = ("labour", "materials", "plant", "water")


def timeline(years: int, *, rate: float, point: float = 1.0, growth: float = 0.0,
             schedule: str | None = None, nominal: bool = False) -> Timeline:
    numbers = load_parameters().override({
        "costs.discount_rate": rate, "costs.payment_point": point, "costs.inflation": 0.02,
        **{f"costs.escalation_{kind}": growth for kind in KINDS}})
    return make_timeline(years, parameters=numbers, schedule=schedule, nominal=nominal)


def test_annuity_against_numpy_financial_1_0_0_tests() -> None:
    assert 12_000 * annuity_factor(20, discount_rate=0.07) == pytest.approx(127128.17, abs=5e-3)


def test_factors_against_EngrEcon_1_0_0_man_pages() -> None:
    """CRAN EngrEcon, 8 % over 30 years, printed to the cent."""
    uniform = annuity_factor(30, discount_rate=0.08)
    single = timeline(30, rate=0.08).year_end[0, -1]
    assert 30_000 * uniform == pytest.approx(337_733.50, abs=5e-3)
    assert 200_000 / uniform == pytest.approx(17_765.49, abs=5e-3)
    assert 650_000 * single / uniform == pytest.approx(5_737.83, abs=5e-3)
    assert 30_000 * single == pytest.approx(2_981.32, abs=5e-3)


def test_recoat_cycle_against_EngrEcon_om_distribute() -> None:
    """1000 every 3 years to year 50 at 3 %: 16 events, 8174.547."""
    events = timeline(50, rate=0.03).year_end[0, 2::3]
    assert len(events) == 16
    assert 1000 * events.sum() == pytest.approx(8174.547, abs=5e-4)


def test_escalation_against_nist_E3_measures_unit_tests() -> None:
    """0.087 x 1000 units, price +3 %/y, quantity +5 %/y, years 1-10, 3 %."""
    present = 87 * timeline(10, rate=0.03, growth=1.03 * 1.05 - 1).year_end[0]
    assert present[0] == pytest.approx(91.35, abs=5e-3)
    assert present[-1] == pytest.approx(141.713833, abs=5e-7)
    assert present.sum() == pytest.approx(1148.990483, abs=5e-7)


def test_declining_rates_against_the_green_book_factors() -> None:
    """HM Treasury Green Book: 3.5 % to year 30, 3 % to 75, 2.5 % to 125; factors to 4 digits."""
    factors = timeline(125, rate=0.0, schedule="green_book").year_end[0]
    for year, printed in ((10, 0.7089), (20, 0.5026), (40, 0.2651), (125, 0.0274)):
        assert factors[year - 1] == pytest.approx(printed, abs=5e-5)
    assert factors[30] == pytest.approx(0.3459, abs=5e-5)


def test_a_schedule_is_not_stretched_beyond_its_last_year() -> None:
    with pytest.raises(SettingError, match="to year 125"):
        schedule_rates("green_book", 126)
    with pytest.raises(SettingError, match="'purple_book' for 3 years"):
        schedule_rates("purple_book", 3)


@pytest.mark.parametrize(("point", "factor"), [
    (1.0, 0.744094), (0.5, 0.755173), (0.0, 0.766417)])
def test_timing_against_nist_handbook_135_rule(point: float, factor: float) -> None:
    """Exponents n, n - 1/2, n - 1 (HB135 D.2.1.1, read in the EnergyPlus reference)."""
    assert timeline(10, rate=0.03, point=point).running[0, -1] == pytest.approx(factor, abs=5e-7)


def test_repaint_against_touch_up_from_corrosion_doctors_solution_3() -> None:
    """5.12/m2, 8 %, 12 years: repaint in years 4 and 8 against touch-ups in 2, 4, 6, 8, 10."""
    factors = timeline(12, rate=0.08).year_end[0]
    annuity = annuity_factor(12, discount_rate=0.08)
    repaints = 5.12 * factors[[3, 7]].sum() / annuity
    touch_ups = factors[[1, 3, 5, 7, 9]].sum() / annuity
    assert repaints == pytest.approx(0.866, abs=5e-4)
    assert touch_ups == pytest.approx(0.4281, abs=5e-5)
    assert repaints / touch_ups == pytest.approx(2.024, abs=5e-4)


def test_money_of_the_day_has_the_same_present_value() -> None:
    """NIST Handbook 135: growth and discount rates both nominal, or both real."""
    real, nominal = (timeline(10, rate=0.035, growth=0.01, nominal=flag) for flag in (False, True))
    assert nominal.running == pytest.approx(real.running, rel=1e-12)
    assert nominal.growth_year_end[0, -1] == pytest.approx((1.01 * 1.02) ** 10)
    assert nominal.annuity == pytest.approx(real.annuity)


def test_omb_a94_appendix_b_from_memory() -> None:
    """From memory: 7 %, year ends; costs 106.40, benefits 142.41, net 36.01."""
    factors = timeline(10, rate=0.07).year_end[0]
    costs = np.array([10, 20, 30, 30, 20, 10, 5, 5, 5, 5]) @ factors
    benefits = np.array([0, 0, 5, 10, 30, 40, 40, 40, 40, 25]) @ factors
    assert costs == pytest.approx(106.40, abs=5e-3)
    assert benefits == pytest.approx(142.41, abs=5e-3)
    assert benefits - costs == pytest.approx(36.01, abs=5e-3)


def test_handbook_135_tables_from_memory() -> None:
    """From memory: 3 %; SPV 10, 12, 20 years .744 .701 .554; UPV 10, 20 years 8.53 14.88."""
    single = timeline(20, rate=0.03).year_end[0, [9, 11, 19]]
    assert single == pytest.approx([0.744, 0.701, 0.554], abs=5e-4)
    assert annuity_factor(10, discount_rate=0.03) == pytest.approx(8.53, abs=5e-3)
    assert annuity_factor(20, discount_rate=0.03) == pytest.approx(14.88, abs=5e-3)


def test_annuity_limits_at_zero_rate_and_for_ever() -> None:
    assert annuity_factor(7, discount_rate=0) == 7
    assert annuity_factor(7, discount_rate=1e-9) == pytest.approx(7, rel=1e-7)
    assert annuity_factor(np.inf, discount_rate=0.05) == pytest.approx(20)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30), st.floats(0.0, 0.15))
def test_present_value_agrees_with_numpy_financial_on_any_flow(flow: list[float],
                                                               rate: float) -> None:
    ours = np.array(flow) @ timeline(len(flow), rate=rate).year_end[0]
    assert ours == pytest.approx(float(npf.npv(rate, [0, *flow])), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("rate", [-1, float("nan"), float("inf")])
def test_a_senseless_rate_is_refused(rate: float) -> None:
    with pytest.raises(SettingError, match="above -1"):
        annuity_factor(3, discount_rate=rate)


def test_yield_against_nist_E3_alternative_summary() -> None:
    """Operating saving 250 for an extra 100: SIR 2.5."""
    found = adjusted_internal_rate_of_return(2.5, discount_rate=0.05, n_years=10)
    assert float(found) == pytest.approx(0.150756137704478, abs=5e-16)
