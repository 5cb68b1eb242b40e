"""Spells, design columns, mean cumulative function, and planted effects recovered."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.errors import SettingError, TableError
from rehit.hotspots.recurrence import (
    andersen_gill,
    design,
    fit_power_law,
    mean_cumulative_function,
    prentice_williams_peterson,
    rehit_spells,
    risk_clock,
)
from rehit.messages import from_text
from rehit.observed import Window
from rehit.tables import check

PUBLISHED = Path(__file__).parents[1] / "published" / "recurrence"
START = pd.Timestamp("2022-01-01", tz="UTC")
END = START + pd.Timedelta(days=1000)
# Five systems, each one's last time the end of its watch (printed example, see test).
SYSTEMS = ([5, 10, 15, 17], [6, 13, 17, 19], [12, 20, 25, 26], [13, 15, 24], [16, 22, 25, 28])


def log(*rows: tuple) -> pd.DataFrame:
    """Rows of (place, reported day, cleared day or None, extra columns)."""
    return pd.DataFrame([{
        "incident_id": f"I{k}", "place_id": r[0], "place_kind": "asset",
        "reported_at": START + pd.Timedelta(days=r[1]),
        "cleared_at": pd.NaT if r[2] is None else START + pd.Timedelta(days=r[2]),
        "status": "open" if r[2] is None else "cleared", **(r[3] if len(r) > 3 else {})}
        for k, r in enumerate(rows)])


def spells_of(table: pd.DataFrame, **options) -> pd.DataFrame:
    return rehit_spells(table, window=Window(START, END), **options)


def history(n: int, *, rate_of, wait_of, seed: int) -> pd.DataFrame:
    """Places with a rate per day after each clearance, given place and the wait before it."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(n):
        frailty = rng.gamma(4.0, 0.25)
        day, wait = rng.uniform(0, 60), wait_of(k, rng)
        while day < 1000:
            rows.append((f"P{k:04d}", day, None if day + wait >= 1000 else day + wait,
                         {"substrate": "brick" if k % 2 else "metal"}))
            gap = rng.exponential(1 / (frailty * rate_of(k, wait)))
            day, wait = day + wait + gap, wait_of(k, rng)
    return log(*rows)


def test_valve_seat_mean_and_robust_error_against_r():
    """Nelson 1995; R survival: M(646) = 1.3204653, robust standard error .2285052."""
    valves = pd.read_csv(PUBLISHED / "valveseat.csv")
    events = valves[valves["status"] == 1]
    mcf = mean_cumulative_function(events["id"].to_numpy(), events["time"].to_numpy(),
                                   ends=valves.groupby("id")["time"].max()).set_index("time")
    assert mcf.loc[646, "mean"] == pytest.approx(1.3204653, abs=5e-8)
    assert mcf.loc[646, "standard_error"] == pytest.approx(0.2285052, abs=5e-8)


def test_five_systems_against_the_printed_mean_cumulative_function():
    """M(25) = 3.66667 with variance .718148, increments taken as uncorrelated."""
    ends = pd.Series({k: float(s[-1]) for k, s in enumerate(SYSTEMS)})
    place = np.concatenate([[k] * (len(s) - 1) for k, s in enumerate(SYSTEMS)])
    time = np.concatenate([s[:-1] for s in SYSTEMS]).astype(float)
    mcf = mean_cumulative_function(place, time, ends=ends).set_index("time")
    assert mcf.loc[25, "mean"] == pytest.approx(3.66667, abs=5e-6)
    assert mcf.loc[25, "variance_independent"] == pytest.approx(0.718148, abs=5e-7)


def test_robust_interval_holds_where_places_differ_and_the_simple_one_does_not():
    """Gamma-mixed Poisson places, true mean 4 at the end; 90 % intervals, 300 towns."""
    rng = np.random.default_rng(1)
    robust = simple = 0
    for _ in range(300):
        n = rng.poisson(rng.gamma(0.5, 8.0, 80))
        place = np.repeat(np.arange(80), n)
        mcf = mean_cumulative_function(place, rng.uniform(0, 1, len(place)),
                                       ends=pd.Series(1.0, index=range(80)), at=np.array([1.0]))
        row = mcf.iloc[0]
        robust += row["low"] <= 4 <= row["high"]
        simple += abs(row["mean"] - 4) <= 1.645 * np.sqrt(row["variance_independent"])
    assert 250 <= robust <= 285
    assert simple < 200


def test_spells_run_from_clearance_to_the_next_marking():
    spells = spells_of(log(("w", 10, 12), ("w", 30, 34), ("v", 100, None)))
    assert spells[["place_id", "start", "stop", "event", "event_number"]].to_numpy().tolist() == [
        ["w", 12, 30, True, 1], ["w", 34, 1000, False, 2]]
    assert spells["days_to_clearance"].tolist() == [2, 4]


def test_spells_keep_their_contract():
    table = history(40, rate_of=lambda _k, _w: 1 / 60,
                    wait_of=lambda _k, rng: rng.exponential(9), seed=2)
    spells = spells_of(table)
    check(spells, "spells", where="test")
    check(spells_of(table.iloc[:0]), "spells", where="test")
    assert (spells["days"] > 0).all()


def test_a_report_on_a_dirty_wall_starts_and_ends_no_spell():
    spells = spells_of(log(("w", 10, 40), ("w", 20, 50), ("w", 90, 91)))
    assert spells[["start", "stop"]].to_numpy().tolist() == [[50, 90], [91, 1000]]


def test_a_hit_at_the_very_moment_of_clearance_gets_a_short_spell():
    spells = spells_of(log(("w", 10, 20), ("w", 20, 25)))
    assert spells["event"].tolist() == [True, False]
    assert 0 < spells["days"].iloc[0] < 0.1


def test_a_log_without_clearance_dates_gives_no_spells():
    table = log(("w", 10, 12), ("w", 30, 34)).assign(status="unknown")
    table["cleared_at"] = pd.to_datetime(pd.Series([None, None]), utc=True)
    assert len(spells_of(table)) == 0


def test_seasons_follow_the_half_of_the_world():
    table = log(("w", 10, 12), ("w", 200, 201))  # January and July 2022
    assert spells_of(table)["season"].tolist() == ["summer", "winter"]
    assert spells_of(table, southern=False)["season"].tolist() == ["winter", "summer"]


def test_register_columns_are_carried_and_its_words_count():
    register = gpd.GeoDataFrame({"asset_id": ["w"], "substrate": ["brick"], "lighting": ["none"]},
                                geometry=gpd.points_from_xy([0], [0]), crs="EPSG:32625")
    spells = spells_of(log(("w", 10, 12, {"substrate": "metal", "method": "hot_wash"})),
                       register=register)
    row = spells.iloc[0]
    assert (row["substrate"], row["lighting"], row["method"]) == ("brick", "none", "hot_wash")
    with pytest.raises(SettingError, match="asset_id"):
        spells_of(log(("w", 10, 12)), register=register.drop(columns="asset_id"))


def test_design_puts_rare_words_together_and_names_the_usual():
    spells = pd.DataFrame({"event": [1] * 77, "wall": ["brick"] * 40 + ["metal"] * 25
                           + ["wood"] * 6 + ["cork"] * 5 + [None], "area": [1.0] * 76 + [np.nan]})
    x, used = design(spells, effects=("wall", "area"))
    terms = [from_text(name).facts for name in x.columns[:2]]
    assert [(t["column"], t["word"], t["against"]) for t in terms] == [
        ("wall", "metal", "brick"), ("wall", "rare", "brick")]
    assert x.columns[2] == "area"
    assert len(used) == 76
    assert x.sum().tolist() == [25, 11, 76]
    with pytest.raises(TableError, match="lamps"):
        design(spells, effects=("lamps",))


def test_words_too_rare_even_together_are_left_out():
    # Two spells without a re-hit would have no finite effect and spoil the whole model.
    spells = pd.DataFrame({"event": [1] * 60 + [0] * 2, "lit": [True] * 40 + [False] * 20
                           + [None] * 2})
    x, used = design(spells, effects=("lit",))
    assert [from_text(name).facts for name in x.columns] == [
        {"column": "lit", "word": "no", "against": "yes"}]
    assert (len(used), x.sum().item()) == (60, 20)


@pytest.mark.parametrize("clock", ["andersen_gill", "total", "gap"])
def test_a_planted_substrate_effect_lies_in_the_interval(clock):
    """Brick hit 1.8 times as fast; PWP baselines by re-hit number pull the effect inwards."""
    spells = spells_of(history(300, rate_of=lambda k, _: (1.8 if k % 2 else 1.0) / 120,
                               wait_of=lambda _k, rng: rng.exponential(5), seed=4))
    x, used = design(spells, effects=("substrate",))
    if clock == "andersen_gill":
        row = andersen_gill(used, x).table(level=0.95).iloc[0]
        truth = 1.8 if "brick (" in row["name"] else 1 / 1.8
        assert row["low"] < truth < row["high"]
    else:
        row = prentice_williams_peterson(used, x, clock=clock, last_stratum=6).table(
            level=0.95).iloc[0]
    brick_faster = row["low"] > 1 if "brick (" in row["name"] else row["high"] < 1
    assert brick_faster


def test_the_risk_clock_stands_still_while_a_wall_waits():
    times, ends = risk_clock(log(("w", 10, 110), ("w", 60, 120), ("w", 200, 210), ("v", 5, None)),
                             window=Window(START, END))
    assert times.set_index("incident_id")["days_at_risk"].to_dict() == {
        "I0": 10, "I2": 90, "I3": 5}
    assert ends.to_dict() == {"v": pytest.approx(7), "w": pytest.approx(880)}


def test_mean_count_and_power_law_on_the_risk_clock_of_steady_places():
    """Places with 6 a year at risk: mean 6 per year at risk, trend exponent 1."""
    table = history(300, rate_of=lambda _k, _w: 6 / 365.25,
                    wait_of=lambda _k, rng: rng.exponential(20), seed=8)
    times, ends = risk_clock(table, window=Window(START, END))
    mcf = mean_cumulative_function(times["place_id"].to_numpy(),
                                   times["days_at_risk"].to_numpy(), ends=ends,
                                   at=np.array([60.0 + 365.25, 600.0]))
    # every place starts with its first hit before day 60, whatever its rate
    year = mcf["mean"].iloc[0] - 1
    assert year == pytest.approx(6 * (1 + 30 / 365.25), rel=0.08)
    busy = times["place_id"].value_counts().index[:50]
    exponents = []
    for place in busy:
        at = times.loc[times["place_id"] == place, "days_at_risk"].to_numpy()
        exponents.append(fit_power_law(at, end=ends[place]).shape_unbiased)
    assert np.mean(exponents) == pytest.approx(1.0, abs=0.1)


def test_events_outside_their_watch_are_refused():
    with pytest.raises(TableError, match="unknown place"):
        mean_cumulative_function(np.array([1]), np.array([5.0]), ends=pd.Series({1: 4.0}))
    with pytest.raises(TableError, match="unknown place"):
        mean_cumulative_function(np.array([2]), np.array([3.0]), ends=pd.Series({1: 4.0}))
