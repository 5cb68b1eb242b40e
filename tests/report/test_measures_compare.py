"""Intervals and comparisons against the values their authors and R print."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from rehit.observed import Window
from rehit.report.measures import (
    bunching_of,
    compare_counts,
    count_interval,
    keep_at_fdr,
    share_interval,
)


def test_comparison_against_r_poisson_test() -> None:
    """R help page of poisson.test: ``poisson.test(c(11, 6+8+7), c(800, 1083+1050+878))`` prints
    p-value 0.07967, ratio 1.971488, 95 % interval 0.8584264 to 4.2772659 (from memory)."""
    found = compare_counts(count=11, days=800, count_before=21, days_before=3011, level=0.95)
    assert found.ratio == pytest.approx(1.971488, abs=5e-7)
    assert found.p_value == pytest.approx(0.07967, abs=5e-6)
    assert (found.low, found.high) == pytest.approx((0.8584264, 4.2772659), abs=5e-8)


@pytest.mark.parametrize(("count", "low", "high"), [
    (0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)])
def test_count_interval_against_garwood_1936(count: int, low: float, high: float) -> None:
    """Values of Garwood's 95 % limits as tabulated in handbooks (from memory)."""
    assert count_interval(count, level=0.95) == pytest.approx((low, high), abs=6e-4)


@pytest.mark.parametrize(("part", "whole", "low", "high"), [
    (81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718)])
def test_share_interval_against_newcombe_1998(part: int, whole: int, low: float,
                                              high: float) -> None:
    """Newcombe 1998, Statistics in Medicine 17:857, Table I, score method (from memory)."""
    assert share_interval(part, whole, level=0.95) == pytest.approx((low, high), abs=6e-5)


def test_equal_rates_with_unequal_exposure_are_no_change() -> None:
    found = compare_counts(count=30, days=30, count_before=90, days_before=90, level=0.95)
    assert found.ratio == 1
    assert found.p_value == pytest.approx(1)
    assert found.low < 1 < found.high


def test_nothing_before_gives_no_ratio_but_an_interval() -> None:
    found = compare_counts(count=4, days=90, count_before=0, days_before=90, level=0.95)
    assert math.isnan(found.ratio)
    assert found.low > 0
    assert found.high == math.inf
    none = compare_counts(count=0, days=90, count_before=0, days_before=90, level=0.95)
    assert none.p_value == 1


def test_bunching_widens_the_interval_and_keeps_the_ratio() -> None:
    plain = compare_counts(count=120, days=91, count_before=90, days_before=91, level=0.95)
    wide = compare_counts(count=120, days=91, count_before=90, days_before=91, level=0.95,
                          bunching=3.0)
    assert wide.ratio == plain.ratio
    assert wide.low < plain.low
    assert wide.high > plain.high
    assert wide.p_value > plain.p_value
    assert wide.exact_p == plain.p_value


def test_exact_test_holds_its_level_in_simulation() -> None:
    """Two counts of one rate differ at the 5 % level in no more than about 5 % of pairs."""
    rng = np.random.default_rng(11)
    a, b = rng.poisson(40, 600), rng.poisson(80, 600)
    alarms = [compare_counts(count=int(x), days=45, count_before=int(y), days_before=90,
                             level=0.95).p_value < 0.05 for x, y in zip(a, b, strict=True)]
    assert np.mean(alarms) <= 0.075


def _times(counts: np.ndarray) -> pd.Series:
    start = pd.Timestamp("2024-01-01", tz="UTC")
    days = np.concatenate([np.full(c, 7 * i + 1) for i, c in enumerate(counts)])
    return pd.Series(start + pd.to_timedelta(days, "D"))


def test_bunching_is_one_for_poisson_weeks_and_the_factor_for_bunched_ones() -> None:
    rng = np.random.default_rng(2)
    start = pd.Timestamp("2024-01-01", tz="UTC")
    window = {"window": Window(start, start + pd.Timedelta(weeks=400)), "least_weeks": 26}
    plain = bunching_of(_times(rng.poisson(20, 400)), **window)
    bunched = bunching_of(_times(4 * rng.poisson(5, 400)), **window)
    assert plain == pytest.approx(1.0, abs=0.15)
    assert bunched == pytest.approx(4.0, rel=0.15)


def test_bunching_ignores_a_trend_and_short_logs() -> None:
    rng = np.random.default_rng(3)
    start = pd.Timestamp("2024-01-01", tz="UTC")
    rising = _times(rng.poisson(np.linspace(5, 60, 1500)))
    seen = {"window": Window(start, start + pd.Timedelta(weeks=1500))}
    assert bunching_of(rising, least_weeks=26, **seen) == pytest.approx(1.0, abs=0.12)
    assert bunching_of(rising, least_weeks=1501, **seen) == 1.0


def test_false_discovery_against_benjamini_hochberg_1995() -> None:
    """The 15 p-values of their section 3.2: the first four stand at 5 %."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
         0.5719, 0.6528, 0.7590, 1.0000]
    assert keep_at_fdr(p, rate=0.05) == [True] * 4 + [False] * 11
    assert keep_at_fdr([], rate=0.05) == []
