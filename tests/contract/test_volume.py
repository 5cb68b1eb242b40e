"""Predicted volumes on invented logs of known make."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.contract.volume import (
    change_weights,
    check_even,
    fit_town,
    found_share,
    posterior_share_variance,
    predict_volume,
)
from rehit.errors import TableError
from rehit.observed import Window
from rehit.parameters import load_parameters

NUMBERS = load_parameters()
START, END = pd.Timestamp("2023-01-01", tz="UTC"), pd.Timestamp("2026-01-01", tz="UTC")
PLACES = pd.DataFrame({"gamma_shape": np.full(100, 10.0), "gamma_rate_years": np.full(100, 3.0)})


def log(n: int, rng: np.random.Generator, *, growth: float = 0.0) -> pd.DataFrame:
    """Return independent jobs with a log-linear trend over three years."""
    u = rng.random(n)
    share = u if growth == 0 else np.log1p(u * np.expm1(3 * growth)) / (3 * growth)
    return pd.DataFrame({
        "reported_at": (START + pd.to_timedelta(share * (END - START).days, unit="D")),
        "method": rng.choice(["paint_out", "hot_wash"], n, p=[0.7, 0.3]),
        "size_class": "small", "access_kind": "ground", "needs_traffic_control": False})


def test_trend_and_dispersion_of_a_log_without_bursts() -> None:
    rng = np.random.default_rng(2)
    trend, sd, dispersion = fit_town(log(6000, rng, growth=0.2)["reported_at"],
                                     window=Window(START, END), parameters=NUMBERS)
    assert trend == pytest.approx(0.2, abs=3 * sd)
    assert sd < 0.03
    assert dispersion < 1.6


def test_short_log_falls_back_on_what_was_assumed() -> None:
    late = pd.Series(pd.date_range("2025-11-01", "2025-12-31", periods=50, tz="UTC"))
    found = fit_town(late, window=Window(pd.Timestamp("2025-11-01", tz="UTC"), END),
                     parameters=NUMBERS)
    assert found == (0.0, NUMBERS["contract.trend_sd"], NUMBERS["contract.dispersion"])


def test_volume_adds_up_and_grows_less_sure_with_the_years() -> None:
    rng = np.random.default_rng(4)
    numbers = NUMBERS.override({"contract.found_low": 0.1, "contract.found_likely": 0.1,
                                "contract.found_high": 0.1})
    volume = predict_volume(log(3000, rng), PLACES, window=Window(START, END), years=3,
                            draws=4000, parameters=numbers, rng=rng)
    reported = volume.counts.sum(axis=2)
    assert volume.per_year == pytest.approx(1000, rel=0.01)
    assert reported[:, 0].mean() == pytest.approx(1000 * np.exp(2 * volume.trend), rel=0.02)
    assert volume.found.sum() / volume.counts.sum() == pytest.approx(0.1, abs=0.002)
    spread = reported.std(axis=0)
    assert spread[0] > np.sqrt(1000)
    assert spread[2] > spread[0]
    table = volume.table()
    assert table["expected"].sum() == pytest.approx(volume.totals[:, 0].mean())
    paint = table.set_index("method").loc["paint_out"]
    assert paint["low"] < paint["expected"] < paint["high"]


def test_without_bursts_the_level_is_as_unsure_as_the_posteriors() -> None:
    """100 places of shape 10: the squared coefficient of variation of their sum is 1 in 1,000.

    Evenly spaced jobs, no trend to speak of and whole years alike leave nothing else unsure.
    """
    numbers = NUMBERS.override({
        "contract.dispersion": 1, "contract.year_effect_sd": 0, "contract.trend_sd": 0.001,
        "contract.draws": 40_000})
    jobs = pd.DataFrame({
        "reported_at": pd.date_range(START, END, periods=1000, inclusive="neither"),
        "method": "paint_out", "size_class": "small", "access_kind": "ground",
        "needs_traffic_control": False})
    volume = predict_volume(jobs, PLACES, window=Window(START, END),
                            parameters=numbers, rng=np.random.default_rng(3))
    assert volume.dispersion == 1
    means = volume.means[:, 0]
    # Four standard errors of a variance from 40,000 draws: 4 * sqrt(2 / 40,000) = 2.8 %.
    assert means.var() / means.mean() ** 2 == pytest.approx(1e-3, rel=0.028)


def test_posteriors_summed_over_places() -> None:
    """Moments of independent gammas added up, against a simulation of them."""
    rng = np.random.default_rng(6)
    places = pd.DataFrame({"gamma_shape": rng.uniform(0.5, 20, 60),
                           "gamma_rate_years": rng.uniform(1, 4, 60)})
    drawn = rng.gamma(places["gamma_shape"], 1 / places["gamma_rate_years"],
                      (40_000, 60)).sum(axis=1)
    variance = drawn.var() / drawn.mean() ** 2
    assert posterior_share_variance(places) == pytest.approx(variance, rel=0.05)


def test_places_changed_count_at_their_new_rate() -> None:
    days = (END - START).days
    other = pd.DataFrame({"reported_at": START + pd.to_timedelta(
        (np.arange(900) + 0.5) / 900 * days, unit="D")})
    change = START + pd.Timedelta(days / 2, unit="D")
    before = START + pd.to_timedelta((np.arange(200) + 0.5) / 200 * days / 2, unit="D")
    after = change + pd.to_timedelta((np.arange(100) + 0.5) / 100 * days / 2, unit="D")
    coated = pd.DataFrame({"reported_at": before.append(after), "change": "coating",
                           "changed_at": change})
    jobs = pd.concat([other, coated], ignore_index=True)
    numbers = NUMBERS.override({"contract.change_weight": 0})
    weights = change_weights(jobs, window=Window(START, END), parameters=numbers)
    assert (weights[:900] == 1).all()
    # 300 jobs in three years, but 200 in three years at the rate since the change.
    assert weights[900:].sum() == pytest.approx(200, abs=0.5)


def test_found_share_is_held_in_its_range() -> None:
    share = found_share(np.linspace(0, 1, 101), parameters=NUMBERS)
    assert share.min() == NUMBERS["contract.found_low"]
    assert share.max() == pytest.approx(NUMBERS["contract.found_high"])


def times(days: np.ndarray) -> pd.Series:
    return pd.Series(START + pd.to_timedelta(np.sort(days), unit="D"))


def test_only_extracts_are_refused() -> None:
    """Half the jobs of a steady log fall in nearly half of its periods."""
    rng = np.random.default_rng(11)
    span = (END - START).days
    steady, summer = span * rng.random(2000), 150 + 90 * rng.random(2000)
    few = span * rng.random(12)
    seasonal = np.concatenate([summer + 365 * year for year in range(3)] + [steady])
    for days in (steady, seasonal, few, np.full(3, 100.0)):
        check_even(times(days), window=Window(START, END), parameters=NUMBERS)
    extract = np.concatenate([steady[:200], 900 + 25 * rng.random(800)])
    with pytest.raises(TableError, match=r"half of its 1,000 jobs or more in one of its 39"):
        check_even(times(extract), window=Window(START, END), parameters=NUMBERS)
    check_even(times(extract), window=Window(START, END),
               parameters=NUMBERS.override({"contract.even_share": 0}))


def test_a_log_that_cannot_be_priced_is_named_in_the_users_words() -> None:
    """Fault: the message named a function and counted "0.00 years"."""
    jobs, rng = log(2, np.random.default_rng(1)), np.random.default_rng(1)
    with pytest.raises(TableError, match="the log: got no marking that the price would cover"):
        predict_volume(jobs.head(0), PLACES, window=Window(START, END), rng=rng)
    with pytest.raises(TableError, match="covers 9\u00a0min, with 2 jobs; allowed: a "
                                         "log over a day"):
        predict_volume(jobs, PLACES, window=Window(START, START + pd.Timedelta("9min")), rng=rng)
