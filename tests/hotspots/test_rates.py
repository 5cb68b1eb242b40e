"""Repeat places: hand-made logs, the contract, and interval coverage on towns with known rates."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.stats import gamma, nbinom

from rehit.errors import ManyErrors, TableError
from rehit.hotspots.rates import (
    Evidence,
    Outlook,
    carry_forward,
    chance_of_more,
    fit_prior,
    gather_evidence,
    learn_outlook,
    posterior,
    rank_repeats,
)
from rehit.observed import Window, known_places, time_at_risk, timeline
from rehit.parameters import load_parameters
from rehit.tables import check

START = pd.Timestamp("2022-01-01", tz="UTC")
END = START + pd.Timedelta(days=1096)


def simulated(rates: np.ndarray, *, seed: int, wait_days: float = 4.0) -> gpd.GeoDataFrame:
    """Incidents at places with these yearly rates, each waiting `wait_days` before it is clean."""
    rng = np.random.default_rng(seed)
    rows = []
    for k, rate in enumerate(rates):
        day = rng.exponential(365.25 / rate)
        while day < 1096:
            rows.append((f"A{k:04d}", day, day + wait_days, 10.0 * k))
            day += wait_days + rng.exponential(365.25 / rate)
    place, reported, cleared, x = (np.array(c) for c in zip(*rows, strict=True))
    open_at_end = cleared.astype(float) >= 1096
    clear = pd.Series(START + pd.to_timedelta(cleared.astype(float), unit="D")).mask(open_at_end)
    return gpd.GeoDataFrame({
        "incident_id": [f"I{k}" for k in range(len(place))], "place_id": place,
        "place_kind": "site", "place_quality": "surveyed",
        "reported_at": START + pd.to_timedelta(reported.astype(float), unit="D"),
        "cleared_at": clear, "status": np.where(open_at_end, "open", "cleared"),
        "priority": "ordinary"}, geometry=gpd.points_from_xy(x.astype(float), 0 * x.astype(float)),
        crs="EPSG:32625")


def ranked(log: gpd.GeoDataFrame, **options) -> gpd.GeoDataFrame:
    return rank_repeats(log, window=Window(START, END),
                        rng=np.random.default_rng(1), **options)


def register_of(n: int, kind: str = "wall") -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"asset_id": [f"A{k:04d}" for k in range(n)], "asset_type": kind},
                            geometry=gpd.points_from_xy(10.0 * np.arange(n), np.zeros(n)),
                            crs="EPSG:32625")


def covered(table: pd.DataFrame, true: pd.Series) -> float:
    rate = true.reindex(table["place_id"]).to_numpy()
    return float(((rate >= table["rate_low"]) & (rate <= table["rate_high"])).mean())


@pytest.fixture(scope="module")
def gamma_rates() -> np.ndarray:
    return np.random.default_rng(11).gamma(0.8, 2.0, 900) + 1e-6


@pytest.fixture(scope="module")
def gamma_log(gamma_rates) -> gpd.GeoDataFrame:
    return simulated(gamma_rates, seed=12)


def test_intervals_hold_the_true_rate_without_a_register(gamma_rates, gamma_log):
    """Only places hit at least once are seen; 90 % intervals, binomial error below 0.012."""
    table = ranked(gamma_log)
    true = pd.Series(gamma_rates, index=[f"A{k:04d}" for k in range(900)])
    assert len(table) < 900
    assert 0.87 <= covered(table, true) <= 0.93
    seen = true.reindex(table["place_id"]).to_numpy()
    assert table["rate_per_year"].mean() == pytest.approx(seen.mean(), rel=0.05)


def test_intervals_hold_the_true_rate_with_a_register(gamma_rates, gamma_log):
    table = ranked(gamma_log.assign(place_kind="asset"), register=register_of(900))
    true = pd.Series(gamma_rates, index=[f"A{k:04d}" for k in range(900)])
    assert len(table) == 900
    assert (table["n_incidents"] == 0).sum() > 50
    assert 0.87 <= covered(table, true) <= 0.93
    assert table["rate_per_year"].mean() == pytest.approx(gamma_rates.mean(), rel=0.05)


def test_counting_waiting_time_as_risk_would_understate_the_rate():
    """A wall hit every 10 clean days that waits 20 days: 36.5 a year at risk, not 12."""
    table = ranked(simulated(np.full(60, 36.5), seed=3, wait_days=20.0))
    assert table["rate_per_year"].mean() == pytest.approx(36.5, rel=0.03)
    assert (table["n_incidents"] / 3).mean() < 14


def test_demo_truth_interval_coverage(town_of):
    """True rate inside the 90 % interval for 85-95 % of assets."""
    town, placed = town_of(seed=5)
    table = rank_repeats(placed, register=town.register,
                         window=Window(town.settings.start, town.settings.end),
                         rng=np.random.default_rng(1))
    true = town.rates.set_index("asset_id")["rate_per_year"]
    assert len(table) == len(town.register)
    assert 0.85 <= covered(table, true) <= 0.95
    hit = table[table["n_incidents"] > 0]
    assert 0.85 <= covered(hit, true) <= 0.95
    alone = rank_repeats(placed, window=Window(town.settings.start, town.settings.end),
                         rng=np.random.default_rng(1))
    assert 0.85 <= covered(alone, true) <= 0.95


def test_the_table_keeps_its_contract_and_adds_up(gamma_log):
    table = ranked(gamma_log)
    check(table, "repeats", where="test")
    assert table["n_incidents"].sum() == len(gamma_log)
    assert table["share"].sum() == pytest.approx(1)
    assert table["chance_top20"].sum() == pytest.approx(20)
    assert (table["now_per_year"] == table["gamma_shape"] / table["gamma_rate_years"]).all()
    assert table["rank_mean"].is_monotonic_increasing
    assert table.crs == gamma_log.crs


def test_register_table_keeps_its_contract(gamma_log):
    table = ranked(gamma_log.assign(place_kind="asset"), register=register_of(1000))
    check(table, "repeats", where="test")
    assert set(table["place_id"]) == set(register_of(1000)["asset_id"])


def test_one_bad_month_does_not_top_the_list():
    """A wall seen for years at 3 a year ranks above one hit twice in the whole log."""
    rates = np.r_[np.full(40, 3.0), np.full(400, 0.3)]
    table = ranked(simulated(rates, seed=5))
    top = table.head(20)["place_id"].str[1:].astype(int)
    assert (top < 40).sum() >= 18
    lucky = table[(table["n_incidents"] == 3) & (table["n_at_risk"] == 3)]
    assert (lucky["rate_per_year"] < 1.0).all()  # raw rate would be 1.0


def test_kinds_of_asset_have_priors_of_their_own():
    rates = np.r_[np.full(100, 6.0), np.full(300, 0.2)]
    register = register_of(400)
    register["asset_type"] = ["underpass"] * 100 + ["bench"] * 300
    table = ranked(simulated(rates, seed=6).assign(place_kind="asset"), register=register)
    prior = table.groupby("asset_type")["prior_mean_per_year"].first()
    assert prior["underpass"] == pytest.approx(6.0, rel=0.06)
    assert prior["bench"] == pytest.approx(0.2, rel=0.2)


def test_a_rare_kind_borrows_from_the_rest():
    register = register_of(300)
    register.loc[:3, "asset_type"] = "kiosk"
    table = ranked(simulated(np.full(300, 1.0), seed=7).assign(place_kind="asset"),
                   register=register)
    kiosk = table[table["asset_type"] == "kiosk"]
    assert (kiosk["prior_mean_per_year"].iloc[0]) == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("wait_days", [60.0, 250.0, 5000.0])
def test_long_waits_do_not_bend_the_usual_rate_of_sites(gamma_rates, wait_days):
    """A site never hit had the whole window to be hit in, however long the others waited."""
    table = ranked(simulated(gamma_rates, seed=14, wait_days=wait_days))
    true = pd.Series(gamma_rates, index=[f"A{k:04d}" for k in range(900)])
    # Of some 800 sites; with nothing ever cleared each gives but one waiting time.
    assert table["prior_mean_per_year"].iloc[0] == pytest.approx(1.6, rel=0.25)
    assert 0.86 <= covered(table, true) <= 0.94


def test_the_posterior_of_one_place_by_hand(gamma_log):
    table = ranked(gamma_log)
    prior = fit_prior(table["n_at_risk"].to_numpy(), table["exposure_years"].to_numpy(),
                      zero_truncated=True, watched_years=1096 / 365.25)
    shape, rate = posterior(table["n_at_risk"].to_numpy(), table["exposure_years"].to_numpy(),
                            prior)
    assert table["rate_per_year"].to_numpy() == pytest.approx(shape / rate, rel=1e-3)
    assert table["rate_low"].to_numpy() == pytest.approx(gamma.ppf(0.05, shape, scale=1 / rate),
                                                         rel=1e-3)
    # Steady rates: the year to come is the average over the log.
    assert table["now_half_life_years"].isna().all()
    assert table["gamma_shape"].to_numpy() == pytest.approx(shape, rel=1e-3)


def test_places_known_to_the_street_are_called_streets(gamma_log):
    log = gamma_log.copy()
    log.loc[:199, "place_quality"] = "street"
    log["street_key"] = "HIGH ST"
    log.loc[200:299, "place_quality"] = "default"
    table = ranked(log)
    assert table["n_incidents"].sum() == len(log) - 100
    streets = table[table["place_kind"] == "street"]
    assert streets["n_incidents"].tolist() == [200]
    assert (table.loc[table["place_kind"] != "street", "n_incidents"] < 200).all()


def test_no_clearance_dates_are_said_and_waiting_is_not_guessed(gamma_log):
    log = gamma_log.assign(cleared_at=pd.NaT, status="unknown")
    log["cleared_at"] = pd.to_datetime(log["cleared_at"], utc=True)
    table = ranked(log)
    check(table, "repeats", where="test")
    assert (table["exposure_basis"] == "whole_window").all()
    assert table["exposure_years"].unique().tolist() == [1096 / 365.25]
    assert table["median_days_to_rehit"].isna().all()


def test_threshold_and_seed(gamma_log):
    easy, hard = ranked(gamma_log, threshold_per_year=0.5), ranked(gamma_log, threshold_per_year=9)
    both = easy.set_index("place_id")["chance_above"] - hard.set_index("place_id")["chance_above"]
    assert (both >= 0).all()
    pd.testing.assert_frame_equal(ranked(gamma_log), ranked(gamma_log))


def test_the_caller_keeps_his_tables(gamma_log):
    before, register = gamma_log.copy(), register_of(900)
    kept = register.copy()
    ranked(gamma_log, register=register)
    pd.testing.assert_frame_equal(gamma_log, before)
    pd.testing.assert_frame_equal(register, kept)


def test_an_empty_log_gives_an_empty_table_or_the_bare_register(gamma_log):
    none = gamma_log.iloc[:0]
    check(ranked(none), "repeats", where="test")
    bare = ranked(none, register=register_of(30))
    check(bare, "repeats", where="test")
    assert bare["n_incidents"].tolist() == [0] * 30


def test_degrees_and_missing_columns_are_refused(gamma_log):
    with pytest.raises(TableError, match="projected"):
        ranked(gamma_log.to_crs(4326))
    with pytest.raises((TableError, ManyErrors), match="reported_at"):
        ranked(gamma_log.drop(columns="reported_at"))


def test_a_true_rise_at_one_place_is_told_and_steady_places_are_not(gamma_log):
    assert ranked(gamma_log)["trend_ratio_per_year"].notna().mean() < 0.02
    rising = simulated(np.full(30, 4.0), seed=9)
    # Squeeze one place's history into the last third of the window.
    one = rising["place_id"] == "A0003"
    for column in ("reported_at", "cleared_at"):
        late = END - (END - rising.loc[one, column]) / 3
        rising.loc[one, column] = late
    found = ranked(rising).set_index("place_id")["trend_ratio_per_year"].dropna()
    assert found.index.tolist() == ["A0003"]
    assert found["A0003"] > 1.5


def test_parameters_reach_the_numbers(gamma_log):
    wide = load_parameters().override({"hotspots.interval_level": 0.99})
    narrow = load_parameters().override({"hotspots.interval_level": 0.5})
    a, b = ranked(gamma_log, parameters=wide), ranked(gamma_log, parameters=narrow)
    assert (a["rate_high"] > b["rate_high"]).all()


def drifting(*, seed: int, n: int = 600) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Places whose rates jump to a new draw about once a year; returns the log and last rates."""
    rng = np.random.default_rng(seed)
    rates = rng.gamma(0.7, 3.0, (n, 24))
    for month in range(1, 24):
        keep = rng.uniform(size=n) > 1 / 12
        rates[keep, month] = rates[keep, month - 1]
    counts = rng.poisson(rates / 8)
    place, month = np.nonzero(counts)
    times = counts[place, month]
    place, month = np.repeat(place, times), np.repeat(month, times)
    day = (month + rng.uniform(size=len(month))) * 1096 / 24
    log = gpd.GeoDataFrame({
        "incident_id": [f"I{k}" for k in range(len(day))],
        "place_id": [f"A{k:04d}" for k in place], "place_kind": "asset",
        "reported_at": START + pd.to_timedelta(day, unit="D"),
        "cleared_at": START + pd.to_timedelta(day, unit="D"), "status": "cleared",
        "priority": "ordinary"}, geometry=gpd.points_from_xy(10.0 * place, 0.0 * place),
        crs="EPSG:32625")
    return log, pd.Series(rates[:, -1], index=[f"A{k:04d}" for k in range(n)])


def test_the_rate_from_now_on_follows_what_drifts():
    """Rates redrawn about once a year (1.5 years of the log): late evidence must count more."""
    log, last = drifting(seed=4)
    table = ranked(log, register=register_of(600)).set_index("place_id")
    assert table["now_half_life_years"].between(0.25, 2.0).all()
    last = last.reindex(table.index)
    now, average = (float(((table[c] - last) ** 2).mean()) for c in ("now_per_year",
                                                                    "rate_per_year"))
    assert now < 0.8 * average
    inside = ((last >= table["now_low"]) & (last <= table["now_high"])).mean()
    assert inside >= 0.85
    assert ((last >= table["rate_low"]) & (last <= table["rate_high"])).mean() < 0.75


def test_the_chance_of_more_counts_incidents_not_rates():
    """A gamma-Poisson count is negative binomial: its upper tail beyond the threshold."""
    shape, rate = np.array([4.5, 30.0]), np.array([2.0, 5.0])
    found = chance_of_more(shape, rate, threshold_per_year=4.0, years=0.5)
    assert found == pytest.approx(1 - nbinom.cdf(2, shape, rate / (rate + 0.5)))
    # By counting: draws of rates, then of counts.
    rng = np.random.default_rng(3)
    drawn = rng.poisson(rng.gamma(4.5, 1 / 2.0, 200_000) * 0.5)
    assert found[0] == pytest.approx((drawn > 2).mean(), abs=0.004)


def test_fading_counts_by_hand():
    """Two steps of half a year, half-life half a year, one year spoken of."""
    seen = Evidence(first=np.array([[1.0, 0]]), later=np.array([[0.0, 2]]),
                    unseen_years=np.array([[0.2, 0]]), years=np.array([[0.3, 0.5]]),
                    step_years=0.5)
    shape, rate = carry_forward(seen, np.array([1.5]), Outlook(0.5, 0.5, 1.0, 0.6, 2.0, 0.0),
                                ahead_years=1.0)
    # Middles of the steps lie 1.25 and 0.75 years before the middle of the year to come.
    fade = 0.5 ** (np.array([1.25, 0.75]) / 0.5)
    assert shape[0] == pytest.approx(0.6 + 0.5 * fade[0] + 2 * fade[1])
    assert rate[0] == pytest.approx(0.6 / 3.0 + (0.5 * 0.2 + 0.3) * fade[0] + 0.5 * fade[1])


def test_evidence_by_steps_adds_up_to_the_time_at_risk(gamma_log):
    known = known_places(gamma_log)
    laid = timeline(known, window=Window(START, END), parameters=load_parameters())
    sums = time_at_risk(laid, length_days=1096.0, parameters=load_parameters())
    seen = gather_evidence(laid, np.zeros(len(sums), bool), length_days=1096.0)
    assert (seen.first + seen.later).sum(axis=1).tolist() == sums["n_at_risk"].tolist()
    assert seen.first.sum(axis=1).tolist() == [1.0] * len(sums)
    years = (seen.unseen_years + seen.years).sum(axis=1)
    assert years == pytest.approx(sums["exposure_years"].to_numpy(), rel=1e-4)


def test_the_hit_that_makes_a_site_known_counts_for_little_where_few_are_hit_again():
    """300 sites of two years, each known by its first hit; one in five is hit on, eight a year."""
    rng = np.random.default_rng(21)
    since = rng.integers(0, 6, 300)
    after = np.arange(8) > since[:, None]
    hit_on = rng.uniform(size=300) < 0.2
    seen = Evidence(first=(np.arange(8) == since[:, None]).astype(float),
                    later=np.where(after & hit_on[:, None], rng.poisson(2.0, (300, 8)), 0.0),
                    unseen_years=np.where(after, 0.0, 0.25), years=np.where(after, 0.25, 0.0),
                    step_years=0.25)
    hits = (seen.first + seen.later).sum(axis=1)
    usual = np.full(300, hits.sum() / 600)
    found = learn_outlook(seen, usual, (0.5 + hits, 0.5 / usual + 2.0),
                          parameters=load_parameters())
    assert found.first_weight < 1
