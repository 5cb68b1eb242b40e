"""What is remembered of a place: when it was last seen, what looks found, what that tells."""

from __future__ import annotations

from dataclasses import dataclass, replace
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


@dataclass(frozen=True)
class Unreported:
    r"""How many markings stand at each place that nobody has reported, by when it was seen clean.

    Markings that will be reported come at the log's rate :math:`\lambda`, each reported, and then
    a job of its own, after a time that is exponential with mean D; for each of them come
    :math:`u` that nobody ever reports. Of those since the place was last seen T days ago,
    :math:`k (\lambda D (1 - e^{-T/D}) + u \lambda T)` are expected to stand unreported; k is what
    looks at the place tell, 1 where there were none.

    Attributes
    ----------
    rate_per_day
        Markings reported a day, by place.
    report_days
        Mean days until a report, D.
    never_ratio
        Markings that nobody ever reports for each that is reported, u.
    longest_days
        A place not seen for longer, or never, is taken as seen that long ago: markings fade, and
        are cleaned by others.
    found_ratio
        What looks found over what was expected of them, by place: k.

    Examples
    --------
    >>> rate = pd.Series({"A": 0.05, "B": 0.05})
    >>> standing = Unreported(rate, report_days=7.0, never_ratio=0.0, longest_days=91.0)
    >>> standing.chance(pd.Series({"B": 1.0})).round(3).tolist()
    [0.295, 0.046]
    """

    rate_per_day: pd.Series
    report_days: float
    never_ratio: float
    longest_days: float
    found_ratio: pd.Series | float = 1.0

    @property
    def all_per_day(self) -> pd.Series:
        """Markings a day by place, reported or not."""
        return self.rate_per_day * (1 + self.never_ratio) * self.found_ratio

    def chance(self, days: pd.Series) -> pd.Series:
        """Return the chance that a place bears a marking that nobody has reported yet.

        Parameters
        ----------
        days
            Days since the place was last seen clean, by place; those without were never seen.
        """
        since = days.reindex(self.rate_per_day.index)
        soon, never = self.watched(since)
        standing = self.rate_per_day * (soon + self.never_ratio * never) * self.found_ratio
        chance: pd.Series = -np.expm1(-standing)
        return chance.rename("chance")

    def watched(self, since: pd.Series) -> tuple[pd.Series, pd.Series]:
        """Return how many days' markings a look sees: of those to be reported, and of the others.
        """
        since = since.fillna(self.longest_days).clip(upper=self.longest_days)
        return self.report_days * -np.expm1(-since / self.report_days), since

    def after(self, looks: pd.DataFrame, *, prior_markings: float) -> Unreported:
        """Return what is believed once looks have told what stood there, and what did not.

        The share never reported is learnt from all looks together, what was assumed counting as
        looks at `prior_markings` markings; then each place's own finds over what was expected of
        its looks, in a gamma belief about 1 of shape 1. Visits to reported jobs tell when a place
        was seen clean and no more: their markings are the log's.

        Parameters
        ----------
        looks
            The `looks` table.
        prior_markings
            Weight of the share assumed [markings].
        """
        told = self._told(looks)
        sums = told.groupby("place_id")[["found", "soon", "never"]].sum()
        total = sums.sum()
        ratio = (total["found"] - total["soon"] + prior_markings * self.never_ratio) / (
            total["never"] + prior_markings)
        ratio = max(float(ratio), 0.0)
        sums = sums.reindex(self.rate_per_day.index).fillna(0.0)
        found = (1 + sums["found"]) / (1 + sums["soon"] + ratio * sums["never"])
        return replace(self, never_ratio=ratio, found_ratio=found)

    def _told(self, looks: pd.DataFrame) -> pd.DataFrame:
        """Return a row per look: markings found, and markings expected of either kind."""
        made = looks[looks["outcome"].isin((*FOUND, "clean"))].sort_values("day")
        made = made.assign(at=pd.to_datetime(made["day"]))
        made = made.assign(since=made.groupby("place_id")["at"].diff().dt.days.astype(float))
        own = made[made["stop_id"] == made["place_id"]]
        rate = own["place_id"].map(self.rate_per_day).astype(float).fillna(0.0)
        soon, never = self.watched(own["since"])
        return own.assign(found=own["outcome"].isin(FOUND).astype(float),
                          soon=rate * soon, never=rate * never)


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
