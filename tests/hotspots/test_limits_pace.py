"""A step in the whole log's pace is told; trend, season and scatter are not taken for one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM

from rehit.hotspots.limits import _fit, find_reporting_change
from rehit.observed import Window

FROM = pd.Timestamp("2022-01-03", tz="UTC")


def log(pace: Callable[[np.ndarray], np.ndarray], *, days: int, n: int, seed: int) -> pd.Series:
    """Draw report times with this pace and weeks that scatter beyond Poisson."""
    rng = np.random.default_rng(seed)
    day = rng.uniform(0, days, 12 * n)
    weight = pace(day) * rng.gamma(20, 1 / 20, days // 7 + 1)[(day // 7).astype(int)]
    kept = day[rng.uniform(0, weight.max(), len(day)) < weight][:n]
    return pd.Series(FROM + pd.to_timedelta(kept, unit="D"))


@pytest.mark.parametrize("factor", [2.0, 3.0, 0.4])
def test_a_new_system_half_way_is_told_with_its_month(factor) -> None:
    times = log(lambda t: np.where(t > 600, factor, 1.0), days=1096, n=3000, seed=1)
    found = find_reporting_change(times, window=Window(FROM, FROM + pd.Timedelta(days=1096)))
    assert found is not None
    assert abs((found.at - FROM).days - 600) <= 14
    assert found.ratio == pytest.approx(factor, rel=0.25)
    assert found.after / found.before == pytest.approx(factor, rel=0.15)


@pytest.mark.parametrize("pace", [
    lambda t: np.ones_like(t), lambda t: np.exp(t / 700),
    lambda t: 1 + 0.8 * np.cos(2 * np.pi * t / 365.25),
    lambda t: np.where(t % 365.25 < 120, 2.5, 1.0)],
    ids=["flat", "growth", "season", "busy summers"])
def test_trend_season_and_scatter_are_no_step(pace) -> None:
    for seed in range(4):
        times = log(pace, days=1096, n=3000, seed=seed)
        assert find_reporting_change(times,
                                     window=Window(FROM, FROM + pd.Timedelta(days=1096))) is None


def test_a_log_too_short_to_tell_season_from_step_is_not_judged() -> None:
    times = log(lambda t: np.where(t > 180, 3.0, 1.0), days=400, n=1500, seed=1)
    assert find_reporting_change(times, window=Window(FROM, FROM + pd.Timedelta(days=400))) is None


def test_a_log_of_one_month_and_stragglers_is_judged_without_a_fault() -> None:
    """Nearly all reports in four weeks of seven years, as in an extract: fits have no end."""
    rng = np.random.default_rng(1)
    days = np.concatenate([rng.uniform(1100, 1128, 4000), rng.uniform(0, 2500, 40), [2400.0] * 900])
    times = pd.Series(FROM + pd.to_timedelta(np.sort(days), unit="D"))
    window = Window(FROM, FROM + pd.Timedelta(days=2500))
    found = find_reporting_change(times, window=window)
    assert found is None or np.isfinite([found.before, found.after, found.ratio]).all()


def test_the_fit_of_weekly_counts_against_statsmodels() -> None:
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(120), rng.standard_normal((120, 3))])
    totals = rng.poisson(np.exp(x @ [1.0, 0.4, -0.3, 0.2])).astype(float)
    own, theirs = _fit(totals, x), GLM(totals, x, family=families.Poisson()).fit()
    np.testing.assert_allclose(own.effects, theirs.params, atol=1e-5)
    assert own.deviance == pytest.approx(theirs.deviance, rel=1e-8)
    assert own.pearson == pytest.approx(theirs.pearson_chi2, rel=1e-5)
