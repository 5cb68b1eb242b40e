"""What a log cannot tell, found once and carried into every result."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import xlogy
from scipy.stats import f as f_distribution

from rehit.messages import Message, message
from rehit.observed import DAYS_PER_YEAR, STRETCHES, Window
from rehit.parameters import Parameters, load_parameters

WEEK = 7.0
#: Newton's steps of one fit, and the gain in deviance below which it has settled.
STEPS, SETTLED = 60, 1e-8


def find_limits(incidents: pd.DataFrame, *, has_register: bool, window: Window,
                parameters: Parameters | None = None) -> tuple[Message, ...]:
    """Return one message (``limits.*``) for each thing that this log does not allow to conclude.

    Parameters
    ----------
    incidents
        Placed incidents (the contracts ``incidents`` and ``placed``).
    has_register
        Whether the project names an asset register.
    window
        Observation window, UTC.
    parameters
        Uses ``pipeline.short_log_days``, ``extract_months``, ``extract_month_share``,
        ``lacking_share`` and ``placeless_share``, and what :func:`find_reporting_change` uses.
    """
    numbers = load_parameters() if parameters is None else parameters
    if incidents.empty:
        return (message("limits.nothing"),)
    return tuple(_limits(incidents, has_register, window, numbers))


def _limits(incidents: pd.DataFrame, has_register: bool, window: Window,
            numbers: Parameters) -> Iterator[Message]:
    days = window.days
    if days < 2:
        yield message("limits.very_short_log")
    elif days < numbers["pipeline.short_log_days"]:
        yield message("limits.short_log", days=days)
    for check in (_extract, _clearance, _places, _surfaces):
        yield from check(incidents, numbers)
    if not incidents["area_m2"].notna().any():
        yield message("limits.no_sizes")
    if not incidents["priority"].eq("offensive").any():
        yield message("limits.nothing_offensive")
    change = find_reporting_change(incidents["reported_at"], window=window, parameters=numbers)
    if change:
        yield message("limits.changed_pace", at=change.at, before=change.before,
                      after=change.after)
    if not has_register:
        yield message("limits.no_register")


def _extract(incidents: pd.DataFrame, numbers: Parameters) -> Iterator[Message]:
    month = incidents["reported_at"].dt.tz_localize(None).dt.to_period("M")
    counts = month.value_counts()
    span = (month.max() - month.min()).n + 1
    share = counts.iloc[0] / len(incidents)
    if (span >= numbers["pipeline.extract_months"]
            and share >= numbers["pipeline.extract_month_share"]):
        yield message("limits.extract", share=share, month=counts.index[0].month,
                      year=str(counts.index[0].year), span=span)


def _clearance(incidents: pd.DataFrame, numbers: Parameters) -> Iterator[Message]:
    known = incidents["cleared_at"].notna().mean()
    if known == 0:
        yield message("limits.no_clearance")
    elif incidents["status"].eq("cleared").all():
        yield message("limits.closed_only")
    elif 1 - known > numbers["pipeline.lacking_share"]:
        yield message("limits.few_clearances", share=known)


def _places(incidents: pd.DataFrame, numbers: Parameters) -> Iterator[Message]:
    street = incidents["place_quality"].isin(STRETCHES).mean()
    poor = incidents["place_quality"].isin(["default", "none"]).mean()
    if street > numbers["pipeline.lacking_share"]:
        yield message("limits.street_only", share=street)
    if poor > numbers["pipeline.placeless_share"]:
        yield message("limits.placeless", share=poor)


def _surfaces(incidents: pd.DataFrame, numbers: Parameters) -> Iterator[Message]:
    unknown = incidents["substrate"].eq("unknown").mean()
    if unknown == 1:
        yield message("limits.no_surfaces")
    elif unknown > numbers["pipeline.lacking_share"]:
        yield message("limits.few_surfaces", share=unknown)


# Did the whole log change its pace at one moment, as when a new system starts to take reports?

@dataclass(frozen=True)
class ReportingChange:
    """A step in the number of incidents of the whole log.

    Parameters
    ----------
    at
        First moment of the new pace.
    before, after
        Mean incidents a week on either side.
    ratio
        How many times as many came after, with trend and season taken out.
    """

    at: pd.Timestamp
    before: float
    after: float
    ratio: float


def find_reporting_change(reported_at: pd.Series, *, window: Window,
                          parameters: Parameters | None = None) -> ReportingChange | None:
    """Look for one step in the weekly incidents of the whole log, beside a trend and a season.

    Assumptions: without a step the pace follows a smooth trend and a yearly wave, and weeks scatter
    by as much as the log shows. In a log too short to tell season from step none is looked for. All
    weeks that leave enough on both sides are tried; the chance is multiplied by their number.

    Parameters
    ----------
    reported_at
        Times of the incidents, UTC.
    window
        Observation window, UTC.
    parameters
        Uses ``hotspots.change_least_weeks``, ``change_least_ratio``, ``change_level``
        and ``season_min_years``.

    Returns
    -------
    ReportingChange or None
        None where no step is shown, or the log is too short or too thin to show one.

    References
    ----------
    Quandt 1960, JASA 55:324-330 (largest F over the possible moments).

    Examples
    --------
    >>> start = pd.Timestamp("2022-01-01", tz="UTC")
    >>> days = np.concatenate([np.arange(0, 364, 1.0), np.arange(364, 735, 0.25)])
    >>> seen = find_reporting_change(
    ...     pd.Series(start + pd.to_timedelta(days, unit="D")),
    ...     window=Window(start, start + pd.Timedelta(days=735)))
    >>> f"{seen.at:%Y-%m-%d}", round(seen.before), round(seen.after), round(seen.ratio, 1)
    ('2022-12-31', 7, 28, 4.0)
    """
    numbers = load_parameters() if parameters is None else parameters
    weeks = int(window.days // WEEK)
    least = int(numbers["hotspots.change_least_weeks"])
    day = ((reported_at - window.start) / pd.Timedelta(days=1)).to_numpy("float64")
    day = day[(day >= 0) & (day < weeks * WEEK)]
    shortest = max(2 * least, numbers["hotspots.season_min_years"] * DAYS_PER_YEAR / WEEK - 1)
    if weeks < shortest or len(day) < 2 * weeks:
        return None
    totals = np.bincount((day // WEEK).astype("int64"), minlength=weeks).astype("float64")
    plain = _smooth(weeks)
    base = _fit(totals, plain)
    tried = {k: _fit(totals, np.column_stack([plain, np.arange(weeks) >= k]),
                     begin=np.append(base.effects, 0.0))
             for k in range(least, weeks - least + 1)
             if totals[:k].any() and totals[k:].any()}
    if not tried:
        return None
    best = min(tried, key=lambda k: tried[k].deviance)
    fit = tried[best]
    free = weeks - len(fit.effects)
    spread = max(fit.pearson / free, 1.0)
    chance = len(tried) * f_distribution.sf((base.deviance - fit.deviance) / spread, 1, free)
    ratio = float(np.exp(np.clip(fit.effects[-1], -30, 30)))
    if chance > numbers["hotspots.change_level"] or max(ratio, 1 / ratio) < numbers[
            "hotspots.change_least_ratio"]:
        return None
    return ReportingChange(window.start + pd.Timedelta(days=best * WEEK),
                           float(totals[:best].mean()), float(totals[best:].mean()), ratio)


def _smooth(weeks: int) -> np.ndarray:
    """Constant, trend and the yearly wave, per week."""
    middle = (np.arange(weeks) + 0.5) * WEEK / DAYS_PER_YEAR
    angle = 2.0 * np.pi * middle
    return np.column_stack([np.ones(weeks), middle - middle.mean(), np.cos(angle), np.sin(angle)])


@dataclass(frozen=True)
class _Fit:
    effects: np.ndarray
    deviance: float
    pearson: float


def _fit(totals: np.ndarray, x: np.ndarray, begin: np.ndarray | None = None) -> _Fit:
    """Fit a log-linear Poisson mean by Newton's steps, each halved until the fit gains.

    Plain reweighting runs off where whole stretches of a log are empty: the best fit then lies
    at infinity. The deviance has its limit there all the same, and halved steps reach it.
    """
    if begin is None:
        begin = np.append(np.log(totals.mean()), np.zeros(x.shape[1] - 1))
    effects, best = begin, _deviance(totals, x @ begin)
    for _ in range(STEPS):
        mean = np.exp(np.clip(x @ effects, -30, 30))
        step = np.linalg.lstsq(x.T @ (x * mean[:, None]), x.T @ (totals - mean), rcond=1e-10)[0]
        for halving in range(30):
            trial = effects + step / 2**halving
            deviance = _deviance(totals, x @ trial)
            if deviance < best:
                break
        else:
            break
        gain, effects, best = best - deviance, trial, deviance
        if gain < SETTLED * max(best, 1.0):
            break
    mean = np.exp(np.clip(x @ effects, -30, 30))
    return _Fit(effects, best, float(((totals - mean) ** 2 / mean).sum()))


def _deviance(totals: np.ndarray, linear: np.ndarray) -> float:
    linear = np.clip(linear, -30, 30)
    return float(2 * (xlogy(totals, totals) - totals * linear - totals + np.exp(linear)).sum())
