"""What recurrence results mean: an estimate with its interval, or the plain admission."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.errors import TableError
from rehit.hotspots.recurrence import (
    fit_rates,
    rapid_clearance,
    read_mean_count,
    read_rate_model,
)
from rehit.hotspots.survival import clearance_speed, kaplan_meier, read_time_to_rehit
from rehit.messages import as_text, message
from rehit.report.say import Say

SAY = Say("en")


def spells(wait_power: float, *, places: int, seed: int) -> pd.DataFrame:
    """Spells whose rate grows by 2 ** wait_power with each doubling of (wait + 1 day).

    Busy places are cleared sooner, which would fool a comparison between places.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(places):
        frailty = rng.gamma(3.0, 1 / 3)
        for number in range(1, 9):
            wait = rng.exponential(6.0 / (0.5 + frailty))
            days = rng.exponential(60 / (frailty * (1 + wait) ** wait_power))
            rows.append((f"P{k}", number, min(days, 200.0), days < 200, wait))
    table = pd.DataFrame(rows, columns=["place_id", "event_number", "days", "event",
                                        "days_to_clearance"])
    return table.assign(clearance_basis="observed",
                        clearance_doublings=np.log2(1 + table["days_to_clearance"]),
                        substrate=np.where(np.arange(len(table)) // 8 % 2, "brick", "metal"))


def test_planted_effect_of_slow_clearance_is_estimated():
    table = spells(0.3, places=250, seed=1)
    model, said = rapid_clearance(table)
    row = model.table(level=0.95).iloc[0]
    assert row["low"] < 2**0.3 < row["high"]
    assert said.code == "waiting.faster"
    assert said.facts["ratio"] == row["rate_ratio"]
    assert "slower clearance went with faster re-hits" in SAY(said)
    assert "does not show what caused it" in SAY(said)
    assert "limpiar más tarde fue unido a reincidencias más rápidas" in Say("es")(said)


def test_no_effect_of_clearance_is_not_invented():
    """Where none is planted the 90 % interval leaves it out about once in ten."""
    outside = 0
    for seed in range(40):
        model, _ = rapid_clearance(spells(0.0, places=60, seed=100 + seed))
        row = model.table(level=0.9).iloc[0]
        outside += not row["low"] <= 1 <= row["high"]
    assert outside <= 10  # 4 expected, standard deviation 1.9
    _, said = rapid_clearance(spells(0.0, places=60, seed=100))
    assert said.code == "waiting.untold"


def test_few_rehits_give_no_effect_of_clearance():
    model, said = rapid_clearance(spells(0.5, places=3, seed=1))
    assert model is None
    assert said.code == "waiting.few"


def test_time_to_rehit_is_read_by_group_with_a_test():
    table = spells(0.0, places=120, seed=3)
    assert read_time_to_rehit(table, by="substrate")[2].name == "alike"
    table.loc[table["substrate"] == "brick", "days"] /= 2.5
    said = read_time_to_rehit(table, by="substrate")
    assert [each.name for each in said] == ["median", "median", "differ", "association"]
    assert [each.facts["what"].facts["word"] for each in said[:2]] == ["brick", "metal"]
    assert "Half of surfaces with surface brick were hit again within" in SAY(said[0])
    assert "(90% interval" in SAY(said[0])
    assert SAY(said[2]).startswith("Times to re-hit differ by surface (log-rank test with errors "
                                   "by place, chi-squared")
    assert Say("es")(said[0]).startswith("La mitad de las superficies con superficie ladrillo se")
    fast = clearance_speed(table, fast_days=3)
    said = read_time_to_rehit(table.assign(speed=fast), by="speed")
    assert said[0].facts["what"].facts == {"column": "speed", "word": "fast"}


def test_two_places_with_many_rehits_show_no_effect_of_waiting():
    table = spells(0.5, places=400, seed=1)
    often = table["place_id"].value_counts().index[:2]
    table = pd.concat([table[table["place_id"].isin(often)]] * 30, ignore_index=True)
    model, said = rapid_clearance(table)
    assert model is None
    assert (said.code, said.facts["places"]) == ("waiting.few", 2)
    assert "re-hits at 2 places can be compared within places" in SAY(said)


def test_waits_that_never_differ_are_named_as_the_reason():
    table = spells(0.0, places=100, seed=2).assign(clearance_doublings=1.0)
    model, said = rapid_clearance(table)
    assert model is None
    assert said.code == "waiting.all_alike"


def test_a_priority_that_says_the_same_as_the_wait_is_left_out():
    """Offensive markings cleared in one day, the others in three: one column, said twice."""
    table = spells(0.0, places=100, seed=2)
    urgent = np.random.default_rng(1).uniform(size=len(table)) < 0.5
    table = table.assign(priority=np.where(urgent, "offensive", "ordinary"),
                         clearance_doublings=np.where(urgent, 1.0, 2.0))
    model, said = rapid_clearance(table, effects=("priority",))
    assert model.names == ("clearance_doublings",)
    assert said.code == "waiting.untold"


def test_few_places_give_no_reading_of_effects():
    table = spells(0.0, places=60, seed=3)
    x = (table["substrate"] == "brick").to_numpy(float)[:, None]

    def said(places: int) -> str:
        used = table["place_id"].isin(table["place_id"].unique()[:places]).to_numpy()
        return read_rate_model(fit_rates(
            np.zeros(used.sum()), table["days"].to_numpy()[used], table["event"].to_numpy()[used],
            x[used], names=("brick",), cluster=table["place_id"].to_numpy()[used]))[0]

    assert SAY(said(39)) == ("With spells at 39 places the errors of these effects cannot be told "
                             "(at least 40 are needed).")
    assert "times the rate of re-hits" in SAY(said(40))


def test_time_to_rehit_says_when_the_median_was_not_reached():
    table = pd.DataFrame({"place_id": list("abcd"), "days": [5.0, 50, 50, 50],
                          "event": [True, False, False, False]})
    assert read_time_to_rehit(table)[0].code == "spells.untold"
    assert read_time_to_rehit(table.iloc[:0])[0].code == "spells.no_dates"
    with pytest.raises(TableError, match="lamps"):
        read_time_to_rehit(table, by="lamps")


def test_without_a_median_the_share_hit_within_a_year_is_told():
    # 20 of 100 hit at day 100 and 80 watched for 400 days: 20 % by the product limit, no median.
    table = pd.DataFrame({"place_id": [f"w{k}" for k in range(100)],
                          "days": [100.0] * 20 + [400.0] * 80, "event": [True] * 20 + [False] * 80})
    said = SAY(read_time_to_rehit(table)[0])
    assert said.startswith("20% of cleared surfaces were hit again within 365 days (90% interval")
    low, high = kaplan_meier(table["days"], table["event"], level=0.9)[["low", "high"]].iloc[0]
    assert f"interval {100 * (1 - high):.0f}% to {100 * (1 - low):.0f}%" in said
    short = table.assign(days=table["days"].clip(upper=150))
    assert read_time_to_rehit(short)[0].code == "spells.untold"


def test_rate_model_reading_tells_effects_from_noise():
    table = spells(0.0, places=200, seed=5)
    table.loc[table["substrate"] == "brick", "days"] /= 2
    x = np.column_stack([table["substrate"] == "brick",
                         np.random.default_rng(1).standard_normal(len(table))]).astype(float)
    model = fit_rates(np.zeros(len(table)), table["days"].to_numpy(), table["event"].to_numpy(), x,
                      names=(as_text(message("term.word", column="substrate", word="brick",
                                                  against="metal")), "noise"),
                      cluster=table["place_id"].to_numpy())
    said = SAY.all(read_rate_model(model))
    assert said[0].startswith("Higher: surface brick (against metal), ")
    assert said[1].startswith("The data cannot tell: noise, per unit, ")
    assert "200 places" in said[2]
    assert Say("es").all(read_rate_model(model))[0].startswith(
        "Más alta: superficie ladrillo (frente a metal), ")


def test_unsettled_model_is_not_read_as_an_effect():
    model = fit_rates(np.zeros(8), np.arange(1.0, 9), np.r_[np.ones(4), np.zeros(4)],
                      np.r_[np.ones(4), np.zeros(4)][:, None], names=("x",), cluster=np.arange(8))
    assert read_rate_model(model)[0].code == "compared.unsettled"


def test_empty_mean_count_is_said():
    assert read_mean_count(pd.DataFrame({"time": [], "mean": []})).code == "spells.no_mean"
