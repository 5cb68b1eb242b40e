"""When simulated jobs come, against logs of known make."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.contract.crews import WEEKS, draw_year, read_pattern

MONDAY = np.datetime64("2024-01-01T00:00", "m")  # a Monday
START = np.datetime64("2026-01-05T00:00", "m")  # another


def log(weekly: np.ndarray, *, weekday: int = 2, minute: int = 600) -> np.ndarray:
    """Return so many jobs in each week, all on one weekday and at one time."""
    week = np.repeat(np.arange(len(weekly)), weekly)
    return MONDAY + (week * 7 + weekday).astype("timedelta64[D]") + np.timedelta64(minute, "m")


def test_single_week_is_a_burst_and_half_a_year_a_season() -> None:
    weekly = np.full(WEEKS, 20)
    weekly[30] = 200
    season = read_pattern(log(weekly)).season
    assert season.sum() == pytest.approx(weekly.sum())
    assert season[[26, 30, 34]] == pytest.approx(np.full(3, (200 + 8 * 20) / 9))
    assert season[[25, 35]] == pytest.approx([20, 20])
    season = read_pattern(log(np.where(np.arange(WEEKS) < 26, 60, 20))).season
    assert season[[10, 40]] == pytest.approx([60, 20])


@pytest.mark.parametrize("n", [5, 60, 77, 130])
def test_steady_log_has_no_season_whatever_its_length(n: int) -> None:
    """A log of a year and a half holds half of the weeks twice: they are no busier for that."""
    assert read_pattern(log(np.full(n, 7))).season == pytest.approx(np.full(WEEKS, 7))


def test_year_starts_with_the_week_after_the_log_ends() -> None:
    """Two years and a quarter with a busy first quarter: the next quarter is a quiet one."""
    weekly = np.where(np.arange(117) % WEEKS < 13, 90, 10)
    season = read_pattern(log(weekly)).season
    assert season[[5, 20, 30]] == pytest.approx([10, 10, 10])
    assert season[45] == pytest.approx(90)


def test_drawn_jobs_keep_weekday_time_and_season_and_come_in_order() -> None:
    pattern = read_pattern(log(np.where(np.arange(WEEKS) < 26, 60, 20)))
    picked, moment = draw_year(pattern, total=40_000, dispersion=1, start=START,
                               rng=np.random.default_rng(1))
    assert (np.diff(moment) >= np.timedelta64(0)).all()
    day = moment.astype("datetime64[D]")
    assert set((day - START.astype("datetime64[D]")).astype(int) % 7) == {2}
    assert set((moment - day).astype(int)) == {600}
    week = (day - START.astype("datetime64[D]")).astype(int) // 7
    counts = np.bincount(week, minlength=WEEKS)
    assert counts[5:20].mean() / counts[31:46].mean() == pytest.approx(3, rel=0.03)
    # Each copies a job of the log's own week.
    assert (np.repeat(np.arange(WEEKS), np.where(np.arange(WEEKS) < 26, 60, 20))[picked]
            == week).all()


def test_weeks_vary_as_much_as_the_dispersion_says() -> None:
    pattern, rng = read_pattern(log(np.full(104, 5))), np.random.default_rng(2)
    ratios = []
    for _ in range(300):
        _, moment = draw_year(pattern, total=52 * 40, dispersion=9, start=START, rng=rng)
        week = (moment.astype("datetime64[D]") - START.astype("datetime64[D]")).astype(int) // 7
        ratios.append(np.bincount(week, minlength=WEEKS).var(ddof=1) / 40)
    # The year's total is given, which takes a little from the spread of its weeks.
    assert np.mean(ratios) == pytest.approx(9, rel=0.08)


def test_log_of_a_month_spreads_over_the_year() -> None:
    pattern = read_pattern(log(np.full(5, 300)))
    _, moment = draw_year(pattern, total=5200, dispersion=1, start=START,
                          rng=np.random.default_rng(3))
    week = (moment.astype("datetime64[D]") - START.astype("datetime64[D]")).astype(int) // 7
    counts = np.bincount(week, minlength=WEEKS)
    assert counts.min() > 60
    assert counts.max() < 140
