"""Forecasts: calibrated on the demo town, never looking ahead, sound on short and odd logs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from forecast_scores import calibration_table, interval_coverage

from rehit.errors import SettingError, TableError
from rehit.hotspots import forecast
from rehit.hotspots.forecast import (
    FOREVER,
    NO_SEASON,
    SHORT_LOG,
    STACK,
    common_spread,
    fading_counts,
    features,
    find_season,
    fit_level_and_recency,
    fit_spread,
    forecast_counts,
    forecast_places,
    gather_periods,
    long_run_forecast,
    make_history,
    past_starts,
    place_history,
    predictive_interval,
    size_of,
    stack_weights,
)
from rehit.hotspots.scoring import poisson_log_score
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.tables import check

FROM = pd.Timestamp("2023-01-01", tz="UTC")
NUMBERS = load_parameters()
# Where accuracy is not the point.
QUICK = NUMBERS.override({"hotspots.tree_rounds": 10, "hotspots.max_origins": 12})


@pytest.fixture(scope="module")
def quarter(town_of: Callable[..., tuple[Any, Any]]) -> pd.DataFrame:
    """The demo town's forecast for the quarter after its extract, with what came."""
    town, placed = town_of(seed=2026)
    register = town.register[["asset_id", "geometry"]]
    places = register.assign(place_id=register["asset_id"], place_kind="asset")
    made = forecast_places(placed, places=places,
                           window=Window(town.settings.start, town.settings.end),
                           horizons_days=(91,))
    check(made, "forecast", where="test")
    return made.set_index("place_id").join(town.rates.set_index("asset_id"))


def test_every_asset_of_the_register_is_forecast(quarter) -> None:
    assert len(quarter) == 1600
    assert (quarter.loc[quarter["n_incidents"] == 0, "expected"] > 0).all()


def test_forecast_of_the_demo_town_is_calibrated(quarter) -> None:
    # 351 incidents came; the true expectation was 333.
    expected, came = quarter["expected"].to_numpy(), quarter["n_next_quarter"].to_numpy()
    assert expected.sum() == pytest.approx(came.sum(), abs=3 * np.sqrt(came.sum()))
    assert expected.sum() == pytest.approx(quarter["expected_next_quarter"].sum(), rel=0.1)
    groups = calibration_table(expected, came, bins=5)
    assert (abs(groups["ratio"] - 1) < 3 * groups["se_ratio"]).all()


def test_intervals_of_the_demo_town_hold_nine_in_ten_or_more(quarter) -> None:
    # Counts are whole, so a 90 % interval holds at least 90 % and, for quiet places, more.
    low, high = quarter["low"].to_numpy(), quarter["high"].to_numpy()
    came = quarter["n_next_quarter"].to_numpy()
    assert interval_coverage(came, low, high) >= 0.9
    busy = quarter["expected"].to_numpy() >= 1.0
    assert busy.sum() > 50
    assert 0.85 <= interval_coverage(came[busy], low[busy], high[busy]) <= 1.0
    # And not because they are wide without need: a point lower would leave out too many.
    assert interval_coverage(came[busy], low[busy], high[busy] - 1) < 0.95


def test_forecast_of_the_demo_town_is_nearer_the_truth_than_plain_counts(quarter) -> None:
    came = quarter["n_next_quarter"].to_numpy()
    plain = (quarter["n_incidents"].to_numpy() + 0.5) * 91 / 1096
    best = poisson_log_score(quarter["expected_next_quarter"].to_numpy(), came)
    mine = poisson_log_score(quarter["expected"].to_numpy(), came)
    assert poisson_log_score(plain, came) < mine < best + 0.02


def steady_log(*, seed: int, days: int = 800, n: int = 80) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(seed)
    rate = rng.gamma(0.7, 0.01, n)
    count = rng.poisson(rate * days)
    place = np.repeat(np.arange(n), count)
    day = rng.uniform(0, days, len(place))
    reported = FROM + pd.to_timedelta(day, unit="D")
    return gpd.GeoDataFrame({
        "incident_id": np.arange(len(place)).astype(str), "reported_at": reported,
        "cleared_at": reported + pd.Timedelta(days=1), "status": "cleared",
        "place_id": [f"P{i:03d}" for i in place], "place_kind": "site"},
        geometry=gpd.points_from_xy(place * 37.0 % 900, place * 91.0 % 700), crs=32630)


def places_of(log: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return log.drop_duplicates("place_id")[["place_id", "place_kind", "geometry"]]


def test_nothing_after_the_origin_changes_a_forecast() -> None:
    log, end = steady_log(seed=1), FROM + pd.Timedelta(days=600)
    places = places_of(log[log["reported_at"] < end])
    future = log.assign(reported_at=log["reported_at"].where(
        log["reported_at"] < end, end + pd.Timedelta(days=1)))
    made = [forecast_places(each, places=places, window=Window(FROM, end),
                            horizons_days=(28,), parameters=QUICK)
            for each in (log, log[log["reported_at"] < end], future)]
    assert made[0].equals(made[1])
    assert made[0].equals(made[2])


def test_same_log_same_forecast_whatever_the_order_of_rows() -> None:
    log, end = steady_log(seed=2), FROM + pd.Timedelta(days=800)
    first = forecast_places(log, places=places_of(log), window=Window(FROM, end),
                            parameters=QUICK)
    again = forecast_places(log.sample(frac=1, random_state=1), places=places_of(log),
                            window=Window(FROM, end), parameters=QUICK)
    assert first["expected"].to_numpy() == pytest.approx(again["expected"].to_numpy(), rel=1e-6)
    assert sorted(first["horizon_days"].unique()) == [7, 28, 91]
    assert len(first) == 3 * log["place_id"].nunique()


def test_a_short_log_falls_back_on_the_long_run_rate() -> None:
    log, end = steady_log(seed=3, days=60), FROM + pd.Timedelta(days=60)
    made = forecast_places(log, places=places_of(log), window=Window(FROM, end))
    assert (made["method"] == SHORT_LOG).all()
    by_horizon = made.groupby("horizon_days")["expected"].sum()
    assert by_horizon[28] == pytest.approx(4 * by_horizon[7], rel=1e-9)
    assert by_horizon[28] < 28 / 60 * len(log) * 1.1


def test_empty_places_give_an_empty_table() -> None:
    log = steady_log(seed=3, days=60)
    made = forecast_places(log, places=places_of(log).iloc[:0],
                           window=Window(FROM, FROM + pd.Timedelta(days=60)))
    assert len(made) == 0
    check(made, "forecast", where="test")


@pytest.mark.parametrize("horizons", [(), (0,), (-7,), (2.5,)])
def test_horizons_must_be_whole_days(horizons) -> None:
    log = steady_log(seed=3, days=60)
    with pytest.raises(SettingError, match="whole numbers"):
        forecast_places(log, places=places_of(log),
                        window=Window(FROM, FROM + pd.Timedelta(days=60)), horizons_days=horizons)


def test_a_history_holds_the_listed_places_within_the_window_ends_included() -> None:
    places = gpd.GeoDataFrame({"place_id": ["A", "B"], "place_kind": "site"},
                              geometry=gpd.points_from_xy([0, 9], [0, 0]), crs=32630)
    named = ["A", "B", "A", "elsewhere", "A", "B"]
    log = gpd.GeoDataFrame({
        "incident_id": [str(k) for k in range(6)], "place_id": named, "place_kind": "site",
        "reported_at": FROM + pd.to_timedelta([0.0, 0.5, 30.0, 5.0, -1.0, 30.1], unit="D"),
        "cleared_at": pd.NaT, "status": "cleared"},
        geometry=gpd.points_from_xy([0] * 6, [0] * 6), crs=32630)
    found = place_history(log, places=places, window=Window(FROM, FROM + pd.Timedelta(days=30)))
    assert (found.place.tolist(), found.day.tolist()) == ([0, 1, 0], [0.0, 0.5, 30.0])


def test_places_without_their_columns_are_refused() -> None:
    log = steady_log(seed=3, days=60)
    with pytest.raises(TableError, match="place_kind"):
        forecast_places(log, places=places_of(log).drop(columns="place_kind"),
                        window=Window(FROM, FROM + pd.Timedelta(days=60)))


@pytest.mark.parametrize("origin", [30.0, 400.0])
def test_a_place_hit_every_day_shows_one_a_day_over_every_span(origin: float) -> None:
    """Fading counts are divided by the days their weights sum to, also soon after the start."""
    day = np.arange(0.5, origin)
    history = make_history(np.zeros(len(day), int), day, np.zeros((1, 2)), always_known=True)
    _, *own_and_days = features(history, [origin], numbers=NUMBERS)[0, 0, :6]
    assert own_and_days == pytest.approx([1.0] * 5, abs=2e-4)


def test_fading_counts_follow_their_definition() -> None:
    rng = np.random.default_rng(5)
    place, day = rng.integers(0, 4, 60), np.sort(rng.uniform(0, 100, 60))
    history = make_history(place, day, np.zeros((4, 2)), always_known=True)
    for half_life in (10.0, FOREVER):
        made = fading_counts(history, [40.0, 90.0], half_life)
        for row, origin in enumerate((40.0, 90.0)):
            past = day < origin
            plain = np.bincount(place[past], 0.5 ** ((origin - day[past]) / half_life), 4)
            assert made[row] == pytest.approx(plain, rel=1e-12)


def test_a_spree_in_one_day_counts_once_where_asked() -> None:
    history = make_history(np.zeros(5, dtype=int), np.array([3.1, 3.2, 3.9, 4.0, 9.0]),
                           np.zeros((1, 2)), always_known=True)
    assert fading_counts(history, [10.0], FOREVER, once_a_day=True).tolist() == [[3.0]]


def test_rings_hold_what_happened_around_and_not_at_the_place() -> None:
    xy = np.array([[50.0, 50], [150, 50], [450, 50], [5000, 50]])
    history = make_history(np.array([0, 0, 1, 2, 3]), np.full(5, 99.0), xy, always_known=True)
    of_3, of_7, of_15 = features(history, [100.0], numbers=NUMBERS)[0, :, 6:9].T  # of 28 days
    one = of_3[0]
    assert one > 0
    assert of_3.tolist() == pytest.approx([one, 2 * one, 0, 0], abs=1e-6)
    assert of_7.tolist() == pytest.approx([0, one, one, 0], abs=1e-6)
    assert of_15.tolist() == pytest.approx([one, 0, 2 * one, 0], abs=1e-6)


def test_past_periods_end_by_the_origin() -> None:
    starts = past_starts(500.0, 91.0, numbers=NUMBERS)
    assert starts[-1] == 409.0
    assert starts[0] - 14.0 < NUMBERS["hotspots.warm_up_days"] <= starts[0]
    # A third of a young log is its warm-up: 150 - 28 - 14 * 5 = 52.
    assert past_starts(150.0, 28.0, numbers=NUMBERS)[0] == 52.0


def test_mixture_finds_the_weights_it_was_made_with() -> None:
    rng = np.random.default_rng(6)
    table = rng.gamma(1.0, 0.05, (40_000, 6))
    mean = 0.1 + 5.0 * table[:, 0] + 12.0 * table[:, 2]
    season = rng.uniform(0.7, 1.3, 40_000)
    model = fit_level_and_recency(table, rng.poisson(season * mean), season)
    assert model.level == pytest.approx(0.1, abs=0.03)
    assert model.weights == pytest.approx([5.0, 0.0, 12.0, 0.0], abs=0.6)


def test_spread_gives_intervals_that_hold() -> None:
    rng = np.random.default_rng(7)
    mean = rng.gamma(1.0, 3.0, 20_000)
    counts = rng.negative_binomial(2.0, 2.0 / (2.0 + mean))
    size = size_of(mean, *fit_spread(mean, counts))
    low, high, any_ = predictive_interval(mean, size, level=0.9)
    assert 0.9 <= interval_coverage(counts, low, high) <= 0.97
    assert any_.mean() == pytest.approx((counts > 0).mean(), abs=0.01)


def seasonal_days(*, swing: float, years: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    day = rng.uniform(0, years * 365.25, 4000 * years)
    wave = 1 + swing * np.cos(2 * np.pi * (day - 180) / 365.25)
    return day[rng.uniform(0, 1 + swing, len(day)) < wave]


def test_a_season_is_found_where_there_is_one_and_not_elsewhere() -> None:
    found = find_season(seasonal_days(swing=0.25, years=3, seed=1), 3 * 365.25, numbers=NUMBERS)
    peak = found.factor(np.arange(365)).argmax()
    assert abs(int(peak) - 180) < 15
    assert found.factor(np.array([180.0, 362.6])) == pytest.approx([1.28, 0.78], abs=0.06)
    assert found.mean_factor(0.0, 365.0) == pytest.approx(1.0, abs=0.03)
    quiet = [find_season(seasonal_days(swing=0.0, years=3, seed=s), 3 * 365.25, numbers=NUMBERS)
             for s in range(20)]
    assert sum(season != NO_SEASON for season in quiet) <= 1


def test_one_busy_summer_is_not_a_season() -> None:
    rng = np.random.default_rng(2)
    day = np.concatenate([rng.uniform(0, 731, 4000), rng.uniform(140, 230, 900)])
    assert find_season(day, 731.0, numbers=NUMBERS) == NO_SEASON
    assert find_season(day, 500.0, numbers=NUMBERS) == NO_SEASON


def test_models_are_weighed_as_a_grid_search_of_the_likelihood_weighs_them() -> None:
    """Two guesses of which neither is right; the best weight is found by trying a thousand."""
    rng = np.random.default_rng(8)
    one, other = rng.gamma(1.0, 1.0, (2, 3000))
    came = rng.poisson(0.7 * one + 0.3 * other)
    tried = np.linspace(0.001, 0.999, 999)
    for alike in (0.5, 500.0):
        value = [poisson_log_score(w * one + (1 - w) * other, came) * 3000
                 + alike * (np.log(w) + np.log(1 - w)) for w in tried]
        found = stack_weights({"one": one, "other": other}, came, alike=alike)
        assert found["one"] == pytest.approx(tried[np.argmax(value)], abs=2e-3)
        assert sum(found.values()) == pytest.approx(1.0)
    even = stack_weights({"one": one, "other": other}, came, alike=np.inf)
    assert even == {"one": 0.5, "other": 0.5}


def test_a_log_of_some_months_is_forecast_by_all_models_and_a_bare_one_by_its_rate() -> None:
    log = steady_log(seed=4, days=200, n=400)
    made = forecast_places(log, places=places_of(log), parameters=QUICK,
                           window=Window(FROM, FROM + pd.Timedelta(days=200)))
    assert set(made["method"]) == {STACK}
    few = log[log["place_id"] < "P005"]
    assert 5 < len(few) <= 15
    made = forecast_places(few, places=places_of(few), parameters=QUICK,
                           window=Window(FROM, FROM + pd.Timedelta(days=200)))
    assert set(made["method"]) == {SHORT_LOG}


def test_history_of_unknown_places_is_not_used_before_they_are_known() -> None:
    # Two of three sites first appear late; before that nobody could have forecast for them.
    day = np.concatenate([np.arange(0.0, 700, 7), [650.0, 660.0]])
    place = np.concatenate([np.zeros(100, dtype=int), [1, 2]])
    history = make_history(place, day, np.zeros((3, 2)), always_known=False)
    assert history.known_from.tolist() == [0.0, 650.0, 660.0]
    made = forecast_counts(history, origin=700.0, horizon=28.0, numbers=NUMBERS)
    assert made.expected[0] == pytest.approx(4.0, rel=0.35)


@pytest.mark.parametrize("cv", [0.0, 0.4])
def test_the_common_swing_of_a_town_is_learnt_from_its_past(cv: float) -> None:
    """120 places of known rates under one factor a fortnight; the law of total variance."""
    rng = np.random.default_rng(11)
    blocks, rates = 110, rng.gamma(1.0, 0.8, 120)
    factor = rng.gamma(1 / cv**2, cv**2, blocks) if cv else np.ones(blocks)
    counts = rng.poisson(factor[:, None] * rates)
    block, place = (np.repeat(index.ravel(), counts.ravel()) for index in np.indices(counts.shape))
    history = make_history(place, 14 * block + rng.uniform(0, 14, len(place)), np.zeros((120, 2)),
                           always_known=True)
    numbers = load_parameters()
    starts = past_starts(14.0 * blocks, 14.0, numbers=numbers)
    periods = gather_periods(history, starts, 14.0, NO_SEASON, numbers=numbers)
    found = common_spread(periods, 14.0, (1e4, 0.0), numbers=numbers) ** 0.5
    assert found == pytest.approx(cv, abs=0.1)


def test_a_place_hit_once_and_never_again_is_not_expected_at_the_log_s_mean_rate() -> None:
    """Sites of a young log: 300 hit once, 20 hit weekly; later counts are those of the 20."""
    rng = np.random.default_rng(12)
    once, often = rng.uniform(0, 120, 300), rng.uniform(0, 120, (20, 17))
    place = np.concatenate([np.arange(300), np.repeat(np.arange(300, 320), 17)])
    history = make_history(place, np.concatenate([once, often.ravel()]), np.zeros((320, 2)),
                           always_known=False)
    made = long_run_forecast(history, origin=120.0, horizon=28.0, numbers=load_parameters())
    assert made.expected.sum() == pytest.approx(20 * 17 * 28 / 120, rel=0.2)


def test_models_are_weighed_on_the_last_three_periods_and_fitted_on_those_that_ended_before(
        monkeypatch) -> None:
    """Eighty places at day 400: periods start at 386, 372, 358 for fourteen days, others by 344."""
    fitted, weighed = [], []
    fit_all, weigh = forecast._fit_all, forecast.stack_weights
    monkeypatch.setattr(forecast, "_fit_all", lambda table, *rest, **more: (
        fitted.append(len(table)) or fit_all(table, *rest, **more)))
    monkeypatch.setattr(forecast, "stack_weights", lambda guesses, counts, **more: (
        weighed.append(len(counts)) or weigh(guesses, counts, **more)))
    rng = np.random.default_rng(9)
    history = make_history(rng.integers(0, 80, 1500), rng.uniform(0, 400, 1500), np.zeros((80, 2)),
                           always_known=True)
    forecast_counts(history, origin=400.0, horizon=14.0, numbers=QUICK)
    starts = past_starts(400.0, 14.0, numbers=QUICK)
    assert weighed == [80 * 3]
    assert fitted == [80 * (len(starts) - 3), 80 * len(starts)]
