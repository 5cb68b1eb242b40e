"""Did the whole log change its pace at one moment, as when a new system starts to take reports?"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import f as f_distribution
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM, GLMResults
from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters

YEAR = 365.25
WEEK = 7.0


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
    shortest = max(2 * least, numbers["hotspots.season_min_years"] * YEAR / WEEK - 1)
    if weeks < shortest or len(day) < 2 * weeks:
        return None
    totals = np.bincount((day // WEEK).astype("int64"), minlength=weeks).astype("float64")
    plain = _smooth(weeks)
    base = _fit(totals, plain)
    tried = {k: _fit(totals, np.column_stack([plain, np.arange(weeks) >= k]))
             for k in range(least, weeks - least + 1)
             if totals[:k].any() and totals[k:].any()}
    if not tried:
        return None
    best = min(tried, key=lambda k: tried[k].deviance)
    fit = tried[best]
    spread = max(fit.pearson_chi2 / fit.df_resid, 1.0)
    chance = len(tried) * f_distribution.sf((base.deviance - fit.deviance) / spread, 1,
                                            fit.df_resid)
    ratio = float(np.exp(fit.params[-1]))
    if chance > numbers["hotspots.change_level"] or max(ratio, 1 / ratio) < numbers[
            "hotspots.change_least_ratio"]:
        return None
    return ReportingChange(window.start + pd.Timedelta(days=best * WEEK),
                           float(totals[:best].mean()), float(totals[best:].mean()), ratio)


def read_reporting_change(change: ReportingChange) -> str:
    """Say what a step in the whole log means for all that is read from it.

    Examples
    --------
    >>> read_reporting_change(ReportingChange(pd.Timestamp("2023-01-02"), 7.0, 28.0, 4.0))
    'The whole log changed pace around 2 January 2023: 7.0 incidents a week before, 28.0 after. ...
    """
    return (f"The whole log changed pace around {change.at.day} {change.at:%B %Y}: "
            f"{change.before:.1f} incidents a week before, {change.after:.1f} after. If reporting "
            "changed then (a new system, an app, another way of counting), rates over the whole "
            "log mix both, and trends may show that change rather than the walls.")


def _smooth(weeks: int) -> np.ndarray:
    """Constant, trend and the yearly wave, per week."""
    middle = (np.arange(weeks) + 0.5) * WEEK / YEAR
    angle = 2.0 * np.pi * middle
    return np.column_stack([np.ones(weeks), middle - middle.mean(), np.cos(angle), np.sin(angle)])


def _fit(totals: np.ndarray, x: np.ndarray) -> GLMResults:
    with warnings.catch_warnings():
        # Weeks that never scatter are no fault: the step is then as sure as it looks.
        warnings.simplefilter("ignore", PerfectSeparationWarning)
        return GLM(totals, x, family=families.Poisson()).fit()
