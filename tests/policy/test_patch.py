"""What is learnt of a patch, against what was planted; and what a policy makes of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from invented_patch import make_patch, sure_worlds

from rehit.observed import Window
from rehit.policy.patch import (
    CHANCES,
    burst_variances,
    draw_haste,
    season_factors,
    wait_chances,
    working_days,
)
from rehit.policy.policies import Policy
from rehit.policy.simulate import BLOCK_DAYS, come

TODAY = Policy(name="today")

@pytest.mark.parametrize(("cell", "place"), [(0.0, 0.0), (0.0, 1.0), (0.5, 0.0), (0.4, 0.8)])
def test_planted_bursts_are_found_again(cell: float, place: float) -> None:
    """The pairs' ratio is unbiased for gamma factors; 400 places, some 20,000 markings."""
    rng = np.random.default_rng(4)
    patch = make_patch(400, rate_per_year=5.0, cell=np.arange(400) // 10,
                       bursts={"town": 0.0, "cell": cell, "place": place})
    # One world of ten years, each year's blocks of four weeks on their own.
    worlds = sure_worlds(patch, 1, years=10)
    parts = [come(patch, worlds, stretch=year + 1, spread=1.0, used=np.zeros(1, dtype=int), rng=rng)
             for year in range(10)]
    whole = BLOCK_DAYS * 13
    at = np.concatenate([part.at - year * 365.25 for year, part in enumerate(parts)])
    year = np.repeat(np.arange(10), [len(part.at) for part in parts])
    slot = np.concatenate([part.slot for part in parts])
    kept = at < whole - BLOCK_DAYS  # the last block of a year is longer
    found = burst_variances(slot[kept], patch.cell[slot[kept]], (at + year * whole)[kept],
                            length_days=10 * whole, town=0.0)
    assert found["cell"] == pytest.approx(cell, abs=0.12)
    assert found["place"] == pytest.approx(place, abs=0.15)

def test_a_seasons_swing_is_found_and_leans_on_none() -> None:
    window = Window(pd.Timestamp("2021-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC"))
    days = pd.Series(pd.date_range(window.start, window.end, freq="6h", inclusive="left"))
    twice = pd.concat([days, days[days.dt.month == 6]])
    found = season_factors(twice, window=window, time_zone="UTC", swing_sd=0.5)
    assert found[5] / found[0] == pytest.approx(2.0, abs=0.05)
    few = season_factors(twice.head(3), window=window, time_zone="UTC", swing_sd=0.5)
    assert few.max() / few.min() < 2.0

def test_a_kind_with_few_clearances_takes_the_times_of_all() -> None:
    days = pd.Series([1.0] * 30 + [9.0] * 3 + [np.nan])
    offensive = pd.Series([False] * 30 + [True] * 4)
    found = wait_chances(days, offensive, fewest=5)
    assert found["offensive"].tolist() == found["all"].tolist()
    assert found["ordinary"].tolist() == [1.0] * len(CHANCES)
    assert wait_chances(days, offensive, fewest=3)["offensive"].tolist() == [9.0] * len(CHANCES)

def test_a_new_standard_stretches_the_times_of_the_log_and_the_way_to_a_job() -> None:
    patch = make_patch(3, wait_days=4.0, travel_power=0.5)
    quick = Policy(name="quick", ordinary_working_days=1.25)  # a quarter of today's 5
    now, chance, ordinary = np.array([0.25]), np.array([0.5]), np.array([False])
    waits = patch.waits_at(chance, TODAY.order)
    assert patch.planned(now, waits, ordinary, TODAY)[0] == pytest.approx(4.25)
    assert patch.planned(now, waits, ordinary, quick)[0] == pytest.approx(1.25)
    assert patch.planned(np.array([np.inf]), waits, ordinary, quick)[0] == np.inf
    # Beardwood, Halton and Hammersley 1959: a quarter of the jobs waiting, twice the way.
    far = make_patch(3, practice=_with_travel(0.3))
    assert far.travel_of(TODAY) == pytest.approx(0.3)
    assert far.travel_of(quick) == pytest.approx(0.6)

def test_haste_moves_the_mean_chance_as_a_sample_of_that_size_would() -> None:
    haste = draw_haste(300, 4000, np.random.default_rng(2))
    # The mean of 300 uniform chances has the standard deviation 1 / sqrt(12 * 300).
    assert (1 / (1 + haste)).std() == pytest.approx(1 / np.sqrt(12 * 300), rel=0.05)


def _with_travel(hours: float) -> object:
    from dataclasses import replace

    return replace(make_patch().practice, travel_h=hours)

def test_looks_fall_on_working_hours_and_as_often_as_asked() -> None:
    patch = make_patch(10, round_the_clock=False, shape=np.arange(1.0, 11.0),
                       rate_years=np.ones(10))
    for how, seen in (("worst", {9, 8, 7, 6}), ("round", set(range(10))),
                      ("interval", set(range(10)))):
        times, places = patch.looks_of(Policy(name="x", looks_per_week=4, look_at=how), 365.0)
        assert set(places.tolist()) == seen
        assert len(times) == pytest.approx(4 * 365 / 7, abs=11)
        assert (np.diff(times) >= 0).all()
        hour = times % 1 * 24
        assert ((hour > 7 - 1e-6) & (hour < 15 + 1e-6)).all()
        assert (times.astype(int) % 7 < 5).all()

def test_walls_are_coated_where_that_saves_most_and_never_where_it_may_not_be() -> None:
    patch = make_patch(4, coating_saves=np.array([5.0, np.nan, 9.0, -1.0]))
    assert patch.coated_by(Policy(name="x", coat=2)).tolist() == [True, False, True, False]
    assert patch.coated_by(Policy(name="x", coat=9)).tolist() == [True, False, True, True]

def test_holidays_and_week_ends_are_not_worked() -> None:
    from datetime import date

    days = working_days(date(2026, 1, 1), years=1, days_per_week=5,
                        holidays={date(2026, 1, 1): "New Year"})
    assert days[:5].tolist() == [False, True, False, False, True]
