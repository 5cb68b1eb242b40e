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
#: Rounds of expectation and maximisation.
ROUNDS = 200


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
    return days_since_clear(seen, day=day)


def clearances(incidents: pd.DataFrame, *, day: date, time_zone: str) -> pd.DataFrame:
    """Return ``place_id`` and local ``day`` of each clearance that the log knows of by a day."""
    cleared = incidents.dropna(subset=["place_id", "cleared_at"])
    local = cleared["cleared_at"].dt.tz_convert(time_zone).dt.strftime("%Y-%m-%d")
    table = pd.DataFrame({"place_id": cleared["place_id"], "day": local})
    return table[table["day"] <= day.isoformat()].reset_index(drop=True)


def days_since_clear(cleared: pd.DataFrame, *, day: date) -> pd.Series:
    """Return the days since the last row of each place, as :func:`clearances` has them."""
    last = pd.to_datetime(cleared.groupby("place_id")["day"].max())
    days: pd.Series = (pd.Timestamp(day) - last).dt.days.astype(float)
    return days.rename("days")


@dataclass(frozen=True)
class Unreported:
    r"""How many markings stand at each place that nobody has reported, by when it was seen clean.

    Markings that will be reported come at the log's rate :math:`\lambda`, each reported, and then
    a job of its own, after a time that is exponential with mean D; for each of them come
    :math:`u` that nobody ever reports. Of those since the place was last seen T days ago,
    :math:`k (\lambda D (1 - e^{-T/D}) + u \lambda T)` are expected to stand unreported; k is what
    looks at the place tell, 1 where there were none. Markings come in bursts: their number is
    taken as geometric, which tells far better on public logs than a Poisson number how often a
    place is marked at all (``docs/replayed.md``).

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
    >>> standing.looks(pd.Series({"B": 1.0})).round(3).to_dict("list")
    {'chance': [0.259, 0.045], 'markings': [0.35, 0.047], 'marking_days': [207.025, 0.025]}
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

    def looks(self, days: pd.Series) -> pd.DataFrame:
        r"""Return what a look at each place would find, and the marking-days it would end.

        With a look every T days a place has :math:`\lambda T^2 / 2` marking-days between two
        looks, :math:`\lambda` counting all its markings, reported or not. Going where this is
        most leaves the fewest: each place is then seen every
        :math:`\sqrt{2 w / \lambda}` days for one and the same w, which is the square-root rule
        of the visit intervals. Going where a marking is most likely sees each place every
        :math:`1 / \lambda` days and leaves as many marking-days as an even round.

        Parameters
        ----------
        days
            Days since a place was last seen clean, by place; those without were never seen.

        Returns
        -------
        pandas.DataFrame
            By place: ``chance`` that a marking stands there that nobody has reported yet, how many
            are expected (``markings``), and ``marking_days``.

        References
        ----------
        Cho, J. and Garcia-Molina, H. (2003). Effective page refresh policies for Web crawlers.
        ACM Transactions on Database Systems 28(4), 390-426: why neither an even round nor one in
        proportion to the rates is best.
        Whittle, P. (1988). Restless bandits: activity allocation in a changing world. Journal of
        Applied Probability 25A, 287-298: a worth for each place, and the greatest first.
        """
        soon, since = self.watched(days.reindex(self.rate_per_day.index))
        standing = self.rate_per_day * (soon + self.never_ratio * since) * self.found_ratio
        return pd.DataFrame({"chance": standing / (1 + standing), "markings": standing,
                             "marking_days": self.all_per_day * since**2 / 2})

    def watched(self, since: pd.Series) -> tuple[pd.Series, pd.Series]:
        """Return how many days' markings a look sees: of those to be reported, and of the others.
        """
        since = since.fillna(self.longest_days).clip(upper=self.longest_days)
        return self.report_days * -np.expm1(-since / self.report_days), since

    def after(self, looks: pd.DataFrame, *, cleared: pd.DataFrame | None = None,
              prior_markings: float) -> Unreported:
        """Return what is believed once looks have told what stood there, and what did not.

        The share never reported is learnt from all looks together, what was assumed counting as
        looks at `prior_markings` markings; then each place's own finds over what was expected of
        its looks, in a gamma belief about 1 of shape 1. A find says that at least one marking
        stood there: it counts as many as are then expected. Visits to reported jobs tell when a
        place was seen clean and no more: their markings are the log's.

        Parameters
        ----------
        looks
            The `looks` table.
        cleared
            From :func:`clearances`: when places were seen clean without a look.
        prior_markings
            Weight of the share assumed [markings].
        """
        told = self._told(looks, cleared)
        found, soon, never = (told[name].to_numpy() for name in ("found", "soon", "never"))
        ratio = 1.0
        for _ in range(ROUNDS):
            expected = soon + ratio * never
            share = np.divide(ratio * never, expected, where=never > 0, out=np.zeros_like(never))
            counted, weight = _behind(found, expected)
            ratio = ((counted * share).sum() + prior_markings * self.never_ratio) / (
                (weight * never).sum() + prior_markings)
        expected, n = soon + ratio * never, len(self.rate_per_day)
        place = self.rate_per_day.index.get_indexer(pd.Index(told["place_id"]))
        factor = np.ones(n)
        for _ in range(ROUNDS):
            counted, weight = _behind(found, factor[place] * expected)
            factor = (1 + np.bincount(place, counted, minlength=n)) / (
                1 + np.bincount(place, weight * expected, minlength=n))
        return replace(self, never_ratio=float(ratio),
                       found_ratio=pd.Series(factor, index=self.rate_per_day.index))

    def _told(self, looks: pd.DataFrame, cleared: pd.DataFrame | None) -> pd.DataFrame:
        """Return a row per look: markings found, and markings expected of either kind."""
        made = looks[looks["outcome"].isin((*FOUND, "clean"))]
        # Looks stand before the clearances of their day, which may be what came of them.
        made = pd.concat([made, cleared]).sort_values("day", kind="stable")
        made = made.assign(at=pd.to_datetime(made["day"]))
        before = made.groupby("place_id")
        made = made.assign(since=before["at"].diff().dt.days.astype(float),
                           left=before["outcome"].shift() == "left")
        # What was left the time before still stands: finding it again is no news.
        own = made[(made["stop_id"] == made["place_id"]) & ~made["left"]
                   & made["place_id"].isin(self.rate_per_day.index)]
        rate = own["place_id"].map(self.rate_per_day).astype(float)
        soon, since = self.watched(own["since"])
        return own.assign(found=own["outcome"].isin(FOUND).astype(float),
                          soon=rate * soon, never=rate * since)


def _behind(found: np.ndarray, expected: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the markings behind looks, and what each look counts as in what was expected of it.

    A geometric count is a Poisson count whose mean is drawn anew each time, exponential about what
    was expected: these are the means of count and draw, given whether anything was found (the
    step of expectation; the ratios they give are the likelihood's).
    """
    return found * (1 + expected), found + 1 / (1 + expected)


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
