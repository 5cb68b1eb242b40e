"""When the jobs of a year come: the log's season, weekdays and hours, and weeks that burst."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

WEEKS = 52
_SMOOTH_WEEKS = 4  # each side
_DAY, _NEVER = np.timedelta64(1, "D"), 1e-12


@dataclass(frozen=True)
class Pattern:
    """What is known of when jobs come. Week 0 of the year is the one after the log's last.

    Attributes
    ----------
    season
        Relative number of jobs in each of the 52 weeks.
    order, first, counts
        Jobs sorted by week of the year, where each week's begin, how many it has.
    weekday, time
        Of each job: 0 for Monday; time of day.
    """

    season: np.ndarray
    order: np.ndarray
    first: np.ndarray
    counts: np.ndarray
    weekday: np.ndarray
    time: np.ndarray


def read_pattern(clock: np.ndarray) -> Pattern:
    """Read season, weekdays and hours from the local clock times of a log's jobs.

    Parameters
    ----------
    clock
        datetime64[m], at least one.

    Returns
    -------
    Pattern
        A week of the year that the log covers twice counts by the mean of the two; one that it
        never covers is taken as the mean of the others. The season is smoothed over two months,
        so that the bursts of single weeks are not taken for it.
    """
    day = clock.astype("datetime64[D]")
    weekday = (day.astype(int) + 3) % 7  # 1970-01-01 was a Thursday
    number = (day.astype(int) - weekday) // 7
    last, n = number.max(), int(np.ptp(number)) + 1
    week = (number - last - 1) % WEEKS
    covered = np.bincount(np.arange(-n, 0) % WEEKS, minlength=WEEKS)
    counts = np.bincount(week, minlength=WEEKS)
    mean = counts / np.maximum(covered, 1)
    mean[covered == 0] = mean[covered > 0].mean()
    around = np.arange(-_SMOOTH_WEEKS, _SMOOTH_WEEKS + 1)
    season = mean[(np.arange(WEEKS)[:, None] + around) % WEEKS].mean(axis=1)
    return Pattern(season, np.argsort(week, kind="stable"), np.cumsum(counts) - counts, counts,
                   weekday, clock - day.astype(clock.dtype))


def draw_year(pattern: Pattern, *, total: int, dispersion: float, start: np.datetime64,
              rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Draw the jobs of one year: which of the log's they copy, and when they come, in order.

    Parameters
    ----------
    total
        Jobs in the year.
    dispersion
        Variance over mean of a week's count.
    start
        Monday on which the year starts.

    Returns
    -------
    tuple
        Rows of the log copied, one of the same week of the year where there is any; clock times.
    """
    mean = max(total / WEEKS, 1e-9)
    extra = max(dispersion - 1, 0.0)
    busy = rng.gamma(mean / extra, extra / mean, WEEKS) if extra else np.ones(WEEKS)
    edges = np.cumsum(pattern.season * busy + _NEVER)
    week = np.minimum(np.searchsorted(edges, rng.random(total) * edges[-1]), WEEKS - 1)
    chance, counts = rng.random(total), pattern.counts[week]
    place = np.where(counts > 0, pattern.first[week] + np.floor(chance * counts),
                     np.floor(chance * len(pattern.order))).astype(int)
    picked = pattern.order[place]
    moment = start + (week * 7 + pattern.weekday[picked]) * _DAY + pattern.time[picked]
    order = np.argsort(moment, kind="stable")
    return picked[order], moment[order]
