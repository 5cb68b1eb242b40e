"""What is remembered of a place: when it was last seen, what looks found, what that tells."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.tables import check
from rehit.tables import table as contract

DAYS_PER_YEAR = 365.25
#: Outcomes of a visit after which the place is known to be clean.
CLEAN_AFTER = ("planned", "clean", "done")
FOUND = ("done", "left")


def place_rates(forecast: pd.DataFrame, *, parameters: Parameters) -> pd.Series:
    """Return markings a day expected at each place: the one rate of day, intervals and forecast.

    Parameters
    ----------
    forecast
        The `forecast` table.
    parameters
        ``patrol.horizon_days`` says which of its periods to take, the nearest one.
    """
    horizon = parameters["patrol.horizon_days"]
    near = forecast.loc[(forecast["horizon_days"] - horizon).abs().sort_values(
        kind="stable").index[:1], "horizon_days"]
    ahead = forecast[forecast["horizon_days"].isin(near)]
    rates: pd.Series = ahead.set_index("place_id")["expected"] / ahead[
        "horizon_days"].to_numpy(float)
    return rates.rename("rate_per_day")


def days_since_looked(looks: pd.DataFrame, *, day: date) -> pd.Series:
    """Return the days since each place was last looked at and left clean.

    Parameters
    ----------
    looks
        The `looks` table; rows from `day` on are not looked at.
    day
        The day that is planned.
    """
    seen = looks[looks["outcome"].isin(CLEAN_AFTER) & (looks["day"] < day.isoformat())]
    last = pd.to_datetime(seen.groupby("place_id")["day"].max())
    days: pd.Series = (pd.Timestamp(day) - last).dt.days.astype(float)
    return days.rename("days")


def days_since_clear(incidents: pd.DataFrame, *, day: date, time_zone: str) -> pd.Series:
    """Return the days since the last clearance of each place that the log knows of."""
    cleared = incidents.dropna(subset=["place_id", "cleared_at"])
    local = cleared["cleared_at"].dt.tz_convert(time_zone).dt.tz_localize(None).dt.normalize()
    days = (pd.Timestamp(day) - local).dt.days.astype(float).groupby(cleared["place_id"]).min()
    known: pd.Series = days[days >= 0]
    return known.rename("days")


def chance_marked(rate_per_day: pd.Series, days: pd.Series, *, report_days: float) -> pd.Series:
    r"""Return the chance that a place bears a marking that nobody has reported yet.

    Markings come at the rate :math:`\lambda`; each is reported, and then is a job of its own,
    after a time that is exponential with mean D. Of those since the place was last seen T days
    ago, :math:`\lambda D (1 - e^{-T/D})` are expected to stand unreported.

    Parameters
    ----------
    rate_per_day
        By place.
    days
        Days since the place was last seen, by place; places without are taken as never seen.
    report_days
        Mean days until a report.

    Examples
    --------
    >>> rate = pd.Series({"A": 0.05, "B": 0.05})
    >>> chance_marked(rate, pd.Series({"B": 1.0}), report_days=7.0).round(3).tolist()
    [0.295, 0.046]
    """
    since = days.reindex(rate_per_day.index).fillna(np.inf)
    standing = rate_per_day * report_days * -np.expm1(-since / report_days)
    chance: pd.Series = -np.expm1(-standing)
    return chance.rename("chance")


def rates_after_looks(rates: pd.Series, shapes: pd.Series, looks: pd.DataFrame, *,
                      report_days: float) -> pd.Series:
    """Return the rates once looks have told what stood there unreported, and what did not.

    A gamma belief of the shape given and mean `rates`: each look adds what it found, and as time
    watched what of the days since the look before would still have stood unreported.

    Parameters
    ----------
    rates
        Markings a day by place, before.
    shapes
        Shape of the belief by place (``gamma_shape`` of the `repeats` table).
    looks
        The `looks` table.
    report_days
        Mean days until a report.
    """
    made = looks[looks["outcome"].isin((*FOUND, "clean"))].sort_values("day")
    made = made.assign(at=pd.to_datetime(made["day"]))
    since = made.groupby("place_id")["at"].diff().dt.days.astype(float)
    watched = report_days * -np.expm1(-since.fillna(np.inf) / report_days)
    told = pd.DataFrame({"place_id": made["place_id"], "watched": watched,
                         "found": made["outcome"].isin(FOUND).astype(float)})
    sums = told.groupby("place_id").sum().reindex(rates.index).fillna(0.0)
    shape = shapes.reindex(rates.index).fillna(1.0)
    days = shape / rates.where(rates > 0)
    after: pd.Series = ((shape + sums["found"]) / (days + sums["watched"])).fillna(rates)
    return after.rename("rate_per_day")


def merged_looks(*parts: pd.DataFrame) -> pd.DataFrame:
    """Return one `looks` table: of rows for the same stop and day the last part's counts.

    A planned look thus stands until the crew says what came of it.
    """
    whole = pd.concat(parts, ignore_index=True).drop_duplicates(["day", "stop_id"], keep="last")
    whole = whole.sort_values(["day", "crew", "stop_id"], ignore_index=True)
    check(whole, "looks", where="patrol.merged_looks")
    return whole


def without_memory() -> pd.DataFrame:
    """Return a `looks` table without rows."""
    return pd.DataFrame({column.name: pd.Series(
        [], dtype=float if column.kind == "number" else "str")
        for column in contract("looks").columns})
