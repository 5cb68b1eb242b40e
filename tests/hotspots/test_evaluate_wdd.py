"""Displacement measures and count tests against printed values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import poisson

from rehit.errors import SettingError
from rehit.hotspots.evaluate import (
    displacement_difference,
    displacement_quotient,
    e_test,
    exact_ratio,
)


def test_displacement_difference_against_wheeler_and_ratcliffe_2018():
    """Their worked example as tested in the CRAN package ptools."""
    wdd = displacement_difference(treated=(207, 110), comparison=(308, 318),
                                  displaced=(178, 157), displaced_comparison=(150, 140))
    assert wdd.value == -118
    assert wdd.standard_error == pytest.approx(np.sqrt(1568))
    assert wdd.z == pytest.approx(-2.98, abs=5e-3)
    assert [round(v) for v in wdd.interval(level=0.95)] == [-196, -40]


def test_displacement_difference_scales_unequal_times_and_areas():
    """Twice the time after and twice the comparison places: the same difference, by hand."""
    plain = displacement_difference(treated=(100, 60), comparison=(80, 90))
    scaled = displacement_difference(treated=(100, 120), comparison=(160, 360),
                                     after_to_before=2, comparison_weight=0.5)
    assert scaled.value == pytest.approx(plain.value) == pytest.approx(-50)
    assert scaled.standard_error == pytest.approx(
        np.sqrt(100 + 120 / 4 + 0.25 * (160 + 360 / 4)))


def test_displacement_difference_error_against_simulation():
    rng = np.random.default_rng(1)
    draws = rng.poisson([90, 60, 70, 75], size=(20_000, 4))
    values = (draws[:, 1] - draws[:, 0]) - (draws[:, 3] - draws[:, 2])
    wdd = displacement_difference(treated=(90, 60), comparison=(70, 75))
    assert values.std() == pytest.approx(wdd.standard_error, rel=0.02)


@pytest.mark.parametrize(("displaced", "quotient"), [((50, 50), 0.0), ((50, 100), -1.0),
                                                     ((50, 25), 0.5), ((50, 150), -2.0)])
def test_displacement_quotient_by_hand_after_bowers_and_johnson_2003(displaced, quotient):
    """50 prevented of 100; what the surroundings gained, over that."""
    found = displacement_quotient(treated=(100, 50), displaced=displaced, comparison=(200, 200))
    assert found == pytest.approx(quotient)


def test_displacement_quotient_has_no_meaning_without_success():
    assert np.isnan(displacement_quotient(treated=(50, 60), displaced=(10, 5),
                                          comparison=(50, 50)))
    assert np.isnan(displacement_quotient(treated=(50, 40), displaced=(10, 5),
                                          comparison=(50, 0)))


@pytest.mark.parametrize(("first", "second", "printed", "tolerance"), [
    (0, 3, 0.0884, 5e-4), (6, 2, 0.1749, 5e-5), (20, 10, 0.069, 5e-4)])
def test_e_test_against_krishnamoorthy_and_thomson_2004(first, second, printed, tolerance):
    """Values as tested in the CRAN package ptools."""
    assert e_test(first, second) == pytest.approx(printed, abs=tolerance)
    assert e_test(second, first) == pytest.approx(printed, abs=tolerance)


def test_e_test_keeps_its_level_with_small_counts_and_unequal_times():
    """Rate 3 a year, 1 and 2.5 years: chance of p <= .05 by full enumeration."""
    x, y = np.arange(20), np.arange(30)
    small = np.array([[e_test(a, b, second_exposure=2.5) <= 0.05 for b in y] for a in x])
    chance = poisson.pmf(x, 3)[:, None] * poisson.pmf(y, 7.5)[None, :]
    assert 0.02 < chance[small].sum() < 0.06


def test_e_test_of_nothing_says_nothing():
    assert e_test(0, 0) == 1.0


def test_exact_ratio_equals_ratio_of_rates_and_covers():
    """200 draws of small counts with a true ratio of 0.5; at least 95 % covered."""
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(200):
        t, c = rng.poisson([12, 6 * 1.5]), rng.poisson([10, 10 * 2.0])
        _, low, high = exact_ratio(treated=tuple(t), comparison=tuple(c),
                                   treated_exposure=(1, 1.5), comparison_exposure=(1, 2.0),
                                   level=0.95)
        inside += low <= 0.5 <= high
    assert inside >= 184
    ratio = exact_ratio(treated=(400, 200), comparison=(400, 400), treated_exposure=(2, 2),
                        comparison_exposure=(3, 3), level=0.95)[0]
    assert ratio == pytest.approx(0.5, rel=0.01)


def test_exact_ratio_with_an_empty_margin_is_unbounded():
    low, high = exact_ratio(treated=(0, 0), comparison=(5, 5), treated_exposure=(1, 1),
                            comparison_exposure=(1, 1), level=0.95)[1:]
    assert (low, high) == (0.0, np.inf)


def test_impossible_counts_and_times_are_refused():
    with pytest.raises(SettingError, match="-1"):
        displacement_difference(treated=(-1, 3), comparison=(1, 1))
    with pytest.raises(SettingError, match="exposures"):
        e_test(1, 2, first_exposure=0)
