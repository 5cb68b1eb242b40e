"""What a log tells of its patch, as far as living it through again needs it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.observed import DAYS_PER_YEAR, Window
from rehit.policy.policies import Policy

Numbers = NDArray[np.float64]
HOURS_PER_DAY = 24.0
DAYS_PER_WEEK = 7.0
MONTHS = 12
#: Chances at which the times from report to clearance are kept.
CHANCES = np.linspace(0.0, 1.0, 1001)
KINDS = ("ordinary", "offensive")
PERIOD_DAYS = 28.0


@dataclass(frozen=True)
class Worlds:
    """Drawn values of what is not known.

    Attributes
    ----------
    rates
        Markings a year at each known place while it is clean: draws × places.
    level
        What each year brings over what the log's average year brought: draws × years.
    never_ratio
        Markings that nobody ever reports for each that is reported, by draw.
    report_days
        Mean days until a report: draws × places, the last column for places not known before.
    minutes
        Crew time over what is stated, by draw.
    haste
        Power of the chances at which times to clearance are read, by draw: above 1 crews are
        quicker than the log's sample of their times says.
    """

    rates: Numbers
    level: Numbers
    never_ratio: Numbers
    report_days: Numbers
    minutes: Numbers
    haste: Numbers

    @property
    def draws(self) -> int:
        """How many there are."""
        return len(self.rates)

    def part(self, rows: slice) -> Worlds:
        """Return some of the draws."""
        return Worlds(*(value[rows] for value in vars(self).values()))

    def bursts(self, variance: float, n: int, rng: np.random.Generator) -> Numbers:
        """Return `n` gamma factors of mean 1 for each draw; 1 where they do not vary."""
        if variance <= 0:
            return np.ones((self.draws, n))
        return rng.standard_gamma(1 / variance, (self.draws, n)) * variance


class Clock:
    """Turns a time into the working days worked until then, and back.

    Parameters
    ----------
    working
        Which days are worked.
    starts, length
        Hour of the day at which crews start, and how long they are out [h].
    """

    def __init__(self, working: NDArray[np.bool_], *, starts: float, length: float) -> None:
        self.open, self.starts, self.length = working.astype(float), starts, length
        self.worked = np.concatenate([[0.0], np.cumsum(self.open)])
        self.usual = max(float(self.open.mean()), 1e-9)

    def work(self, time: Numbers) -> Numbers:
        """Return the working days worked until a time [days]."""
        day = np.minimum(time.astype(np.int64), len(self.open) - 1)
        share = ((time - day) * HOURS_PER_DAY - self.starts) / self.length
        return np.asarray(
            self.worked[day] + np.minimum(np.maximum(share, 0.0), 1.0) * self.open[day])

    def time(self, work: Numbers) -> Numbers:
        """Return when so many are worked [days]; beyond the last day, evenly."""
        day = np.minimum(np.maximum(self.worked.searchsorted(work) - 1, 0), len(self.open) - 1)
        share = np.minimum(work - self.worked[day], 1.0)
        beyond = np.maximum(work - self.worked[-1], 0.0) / self.usual
        return np.asarray(day + (self.starts + share * self.length) / HOURS_PER_DAY + beyond)

    def end_of(self, days: Numbers, time: Numbers) -> Numbers:
        """Return the end of the last of so many working days after the day of a time [days]."""
        today = np.minimum(time.astype(np.int64), len(self.open) - 1) + 1
        return np.asarray(self.worked.searchsorted(self.worked[today] + np.round(days)), float)


@dataclass(frozen=True)
class Practice:
    """How the patch is run today.

    Attributes
    ----------
    crews
        Crews out on a working day.
    hours_per_day
        Hours of a crew's day that go into driving and work [h].
    starts, length
        Hour of the day at which crews start, and hours they are out.
    working
        Which of the days to come are worked.
    ordinary_working_days, offensive_hours
        Response standards.
    travel_h
        Driving and setting up for a job [h].
    look_h
        One look at a place, with the way there [h].
    """

    crews: float
    hours_per_day: float
    starts: float
    length: float
    working: NDArray[np.bool_]
    ordinary_working_days: float
    offensive_hours: float
    travel_h: float
    look_h: float

    @property
    def clock(self) -> Clock:
        """The crews' working days."""
        return Clock(self.working, starts=self.starts, length=self.length)


@dataclass(frozen=True)
class Patch:
    """What is known of a patch; arrays run over its known places.

    Attributes
    ----------
    shape, rate_years
        Gamma posterior of each place's reported markings a year while clean.
    cell
        Number of the square each place lies in.
    offensive
        Share of offensive markings; one more at the end, of places not known before.
    seen_before
        Whether the place was marked before; the last, of others, is False.
    onsite_h, onsite_coated_h
        Crew hours of a cleaning without the way there: as it is, and once coated.
    onsite_elsewhere_h
        The same where places are not known before.
    coating_saves
        What coating saves a year at each place, for choosing walls; not a number where it may not
        be.
    prevented
        Share of markings that a coating prevents.
    known_per_year, elsewhere_per_year
        Markings to expect in a year, as comparison, programme and bid have them.
    season
        By calendar month, about 1.
    bursts
        Variance of four weeks' factor: of the ``town``, of places close together (``cell``), of
        one ``place``.
    waits
        Time from report to clearance at `CHANCES`: ``ordinary`` and ``all`` in working days,
        ``offensive`` in days.
    usual_doublings
        Mean of log2(days + 1) to clearance.
    further_per_day
        Further reports for each day a reported marking waits.
    fades_after_days
        Days after which a marking that nobody reports is gone all the same.
    effort_sd
        Spread of the minutes of a job (standard deviation of the logarithm).
    speed_limit
        Quick clearance multiplies a place's rate by at most this, and by no less than one over it.
    first_day
        The first day lived through.
    lead_days
        Days lived through before the first year, so that it does not begin with a clean town.
    intervals
        Gives the intervals [days] at which so many looks a week leave the fewest marking-days.
    travel_power
        How the way to a job grows with fewer jobs to choose from.
    report_days
        Mean days until a marking is reported.
    """

    shape: Numbers
    rate_years: Numbers
    cell: NDArray[np.int64]
    offensive: Numbers
    seen_before: NDArray[np.bool_]
    onsite_h: Numbers
    onsite_coated_h: Numbers
    onsite_elsewhere_h: float
    coating_saves: Numbers
    prevented: float
    known_per_year: float
    elsewhere_per_year: float
    season: Numbers
    bursts: Mapping[str, float]
    waits: Mapping[str, Numbers]
    usual_doublings: float
    further_per_day: float
    fades_after_days: float
    effort_sd: float
    speed_limit: float
    first_day: date
    practice: Practice
    intervals: Callable[[float], Numbers]
    travel_power: float
    report_days: float
    lead_days: float

    @property
    def n(self) -> int:
        """Known places."""
        return len(self.shape)

    def ends(self, stretch: int) -> float:
        """Return when a stretch ends [days]: the lead-in is number 0, then come the years."""
        return 0.0 if stretch < 0 else self.lead_days + stretch * DAYS_PER_YEAR

    def season_of(self, edges: Numbers) -> Numbers:
        """Return the season's factor of each stretch of days, from its middle."""
        middle = (edges[:-1] + edges[1:]) / 2
        month = [(self.first_day + timedelta(days=float(day))).month - 1 for day in middle]
        return self.season[month]

    def most_speed(self, effect: float) -> float:
        """Return what rates may at most be multiplied by."""
        return max(self.speed_limit if effect != 1 else 1.0, 1 - self.prevented)

    def speed_after(self, waited_days: Numbers, effect: float) -> Numbers:
        """Return a place's rate over its usual one after a clearance that took so long."""
        doublings = np.log2(waited_days + 1) - self.usual_doublings
        return np.clip(effect ** doublings, 1 / self.speed_limit, self.speed_limit)

    @property
    def expected_per_year(self) -> float:
        """Markings that are expected in a year, at places known and not known before."""
        return self.known_per_year + self.elsewhere_per_year

    def coated_by(self, policy: Policy) -> NDArray[np.bool_]:
        """Return which walls a policy coats: where that saves most."""
        chosen = np.zeros(self.n, dtype=bool)
        able = np.flatnonzero(np.isfinite(self.coating_saves))
        best = able[np.argsort(-self.coating_saves[able], kind="stable")]
        chosen[best[:int(policy.coat)]] = True
        return chosen

    def crews_of(self, policy: Policy) -> float:
        """Return the crews out under a policy, at least a tenth of one."""
        return max(self.practice.crews + policy.crews_more, 0.1)

    def paid_hours(self, policy: Policy) -> float:
        """Return the hours in a year that all crews can drive and work under a policy."""
        return float(self.practice.working.mean() * DAYS_PER_YEAR * self.crews_of(policy)
                     * self.practice.hours_per_day * policy.hours_share)

    def job_hours_a_day(self, policy: Policy) -> float:
        """Return the hours of a working day that all crews have for jobs when looks are made."""
        per_day = self.crews_of(policy) * self.practice.hours_per_day * policy.hours_share
        days = max(self.practice.working.mean() * DAYS_PER_WEEK, 1e-9)
        left = per_day - self.practice.look_h * policy.looks_per_week / days
        return float(max(left, 1e-3 * per_day))

    def travel_of(self, policy: Policy) -> float:
        """Return the way to a job [h]: longer where fewer jobs wait to be chosen from.

        References
        ----------
        Beardwood, Halton and Hammersley 1959, Proceedings of the Cambridge Philosophical Society
        55, 299-327: a round through n points of an area grows with their square root, so the way
        for each falls with it; the number of jobs that wait is their rate times the wait (Little).
        """
        ratio = self._mean_plan(policy) / max(self._mean_plan(Policy(name="today")), 1e-9)
        return float(self.practice.travel_h * max(ratio, 1e-3) ** -self.travel_power)

    def _mean_plan(self, policy: Policy) -> float:
        share = float(self.offensive.mean())
        means = {kind: float(np.trapezoid(self.waits[kind], CHANCES)) for kind in KINDS}
        return float(means["offensive"] * self._standard(policy, "offensive") * share
                     + means["ordinary"] * self._standard(policy, "ordinary") * (1 - share))

    def _standard(self, policy: Policy, kind: str) -> float:
        """Return a policy's standard over today's."""
        name = "offensive_hours" if kind == "offensive" else "ordinary_working_days"
        given = getattr(policy, name)
        return 1.0 if given is None else float(given / getattr(self.practice, name))

    def waits_at(self, chance: Numbers, order: str) -> tuple[Numbers, Numbers]:
        """Return the log's times to clearance at these chances: of ordinary, and offensive ones."""
        kinds = ("all", "all") if order == "report" else KINDS
        ordinary, offends = (np.interp(chance, CHANCES, self.waits[kind]) for kind in kinds)
        return ordinary, offends

    def planned(self, reported: Numbers, waits: tuple[Numbers, Numbers],
                offensive: NDArray[np.bool_], policy: Policy) -> Numbers:
        """Return by when each reported marking is planned to be cleared.

        Crews are taken to keep a new standard as well as they keep today's: the times of the log,
        stretched or shortened with the standard. Ordinary ones are in working days, since what
        waits over a week end does not wait longer for the crew.
        """
        (ordinary, offends), told = waits, np.isfinite(reported)
        clock = self.practice.clock
        known = np.where(told, reported, 0.0)
        done = clock.time(clock.work(known) + ordinary * self._standard(policy, "ordinary"))
        done = np.where(offensive, known + offends * self._standard(policy, "offensive"),
                        np.maximum(done, known))
        return np.where(told, done, np.inf)

    def standards(self, policy: Policy) -> Numbers:
        """Return within how many working days, and days, of a report a marking is to be cleared."""
        return np.array([
            policy.ordinary_working_days or self.practice.ordinary_working_days,
            (policy.offensive_hours or self.practice.offensive_hours) / HOURS_PER_DAY])

    def looks_of(self, policy: Policy, days: float) -> tuple[Numbers, NDArray[np.int64]]:
        """Return when looks are made, in order, and at which places."""
        per_week, rate = int(policy.looks_per_week), self.shape / self.rate_years
        if not per_week or not self.n:
            return np.zeros(0), np.zeros(0, dtype=np.int64)
        if policy.look_at == "interval":
            times, places = _at_intervals(self.intervals(float(per_week)), days)
        else:
            order = np.argsort(-rate, kind="stable")
            weeks = np.arange(0, days, DAYS_PER_WEEK)
            turn = np.arange(len(weeks) * per_week)
            worst = order[:per_week]
            places = worst[turn % len(worst)] if policy.look_at == "worst" else order[
                turn % self.n]
            times = turn // per_week * DAYS_PER_WEEK + (
                turn % per_week + 0.5) / per_week * DAYS_PER_WEEK
            if policy.look_at == "worst" and per_week > self.n:
                times, places = times[turn % per_week < self.n], places[turn % per_week < self.n]
        times = self._when_crews_are_out(times)
        inside = times < days
        order = np.argsort(times[inside], kind="stable")
        return times[inside][order], places[inside][order]

    def _when_crews_are_out(self, times: Numbers) -> Numbers:
        """Move looks to the next day that is worked, at an hour of the shift."""
        day = times.astype(np.int64)
        worked = np.flatnonzero(self.practice.working)
        found = worked[np.minimum(np.searchsorted(worked, day), len(worked) - 1)]
        hour = self.practice.starts + (times - day) * self.practice.length
        return np.asarray(found + hour / HOURS_PER_DAY)


def _at_intervals(days: Numbers, until: float) -> tuple[Numbers, NDArray[np.int64]]:
    """Return times and places of looks at intervals, begun at different days."""
    number = np.maximum(np.floor(until / days).astype(np.int64), 0)
    places = np.repeat(np.arange(len(days)), number)
    turn = np.arange(len(places)) - np.repeat(np.cumsum(number) - number, number)
    phase = (np.arange(len(days)) * 0.6180339887498949) % 1  # spread evenly: the golden section
    return (turn + phase[places]) * days[places], places


def draw_worlds(patch: Patch, *, level: Numbers, never_ratio: Numbers, report_factor: Numbers,
                minutes: Numbers, haste: Numbers, rng: np.random.Generator) -> Worlds:
    r"""Draw each place's rate, and put what is drawn elsewhere beside it.

    The log's rate counts reports from one clearance to the next report: :math:`1/\lambda =
    1/\mu + d`, where :math:`\mu` is the rate of markings that will be reported and d the days until
    a report. Walls marked often are seen often: :math:`d = D / (1 + \lambda D)`, so that
    :math:`\mu = \lambda (1 + \lambda D)`. Markings that nobody reports come on top.

    Parameters
    ----------
    patch
        The patch, whose places' rates are drawn from their gamma posteriors.
    level
        Draws × years; see :class:`Worlds`.
    never_ratio, report_factor, minutes, haste
        By draw; `report_factor` is about 1 and multiplies the mean days until a report.
    rng
        Source of randomness.
    """
    draws = len(level)
    rates = rng.standard_gamma(patch.shape, (draws, patch.n)) / patch.rate_years
    # How sure the sum is, is in the level already.
    mean = float((patch.shape / patch.rate_years).sum())
    rates *= mean / np.maximum(rates.sum(axis=1, keepdims=True), 1e-12)
    days = patch.report_days * report_factor[:, None]
    waits = days / DAYS_PER_YEAR * rates
    marked = rates * (1 + waits) * (1 + never_ratio[:, None])
    return Worlds(marked, level, never_ratio,
                  np.concatenate([days / (1 + waits), days], axis=1), minutes, haste)


def draw_haste(n_places: int, draws: int, rng: np.random.Generator) -> Numbers:
    r"""Draw how far the log's times to clearance may be off, for having seen so many places.

    The mean of n uniform chances has the standard deviation :math:`1 / \sqrt{12 n}`, and that of
    their power k is :math:`1 / (1 + k)`, whose slope at 1 is a quarter. Places count, not markings:
    what is slow at a place is slow there again.
    """
    return np.exp(rng.normal(0, 4 / np.sqrt(12 * max(n_places, 1)), draws))


# What is learnt from the log.

def season_factors(reported_at: pd.Series, *, window: Window, time_zone: str,
                   swing_sd: float) -> Numbers:
    """Return each calendar month's markings over an average month's.

    Drawn towards 1 by a gamma prior of standard deviation `swing_sd`.

    Examples
    --------
    >>> year = Window(pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC"))
    >>> june = pd.Series(pd.date_range("2024-06-01", periods=60, freq="12h", tz="UTC"))
    >>> found = season_factors(june, window=year, time_zone="UTC", swing_sd=0.5)
    >>> int(found.argmax()) + 1
    6
    """
    days = pd.Series(pd.date_range(window.start, window.end, freq="D").tz_convert(time_zone))
    exposure = np.bincount(days.dt.month - 1, minlength=MONTHS) / max(len(days), 1)
    counts = np.bincount(reported_at.dt.tz_convert(time_zone).dt.month - 1, minlength=MONTHS)
    prior = swing_sd**-2
    found = (counts + prior) / (exposure * counts.sum() + prior)
    return np.asarray(found / np.average(found, weights=np.maximum(exposure, 1e-9)))


def burst_variances(places: NDArray[np.int64], cells: NDArray[np.int64], days: Numbers, *,
                    length_days: float, town: float) -> dict[str, float]:
    r"""Return by how much four weeks' factors of a place, and of places close together, vary.

    Of two markings at the same place the chance that they fall into the same four weeks is
    compared with that of any two of the town: the ratio is 1 if markings come independently, and
    1 plus the variance of the factors otherwise; so also for pairs of different places in one
    square. Pairs are counted, not rates fitted, so that it does not matter how places differ.

    Parameters
    ----------
    places, cells
        Numbers of the place and of its square, one for each marking.
    days
        When, from the beginning of the log.
    length_days
        Of the log.
    town
        Variance of the town's own factor, handed on.

    Examples
    --------
    >>> at = np.array([0.0, 1.0, 2.0, 200.0, 201.0, 202.0])
    >>> one = np.zeros(6, dtype=np.int64)
    >>> burst_variances(one, one, at, length_days=280.0, town=0.0)["cell"]
    0.0
    """
    n = max(int(length_days // PERIOD_DAYS), 1)
    inside = days < n * PERIOD_DAYS
    period = (days[inside] // PERIOD_DAYS).astype(np.int64)
    place, cell = places[inside], cells[inside]
    share = np.bincount(period, minlength=n) / max(len(period), 1)
    by_chance = float((share**2).sum())

    def pairs(group: NDArray[np.int64]) -> tuple[float, float]:
        both = np.unique(group * n + period, return_counts=True)[1].astype(float)
        ever = np.unique(group, return_counts=True)[1].astype(float)
        return float((both * (both - 1)).sum()), float((ever * (ever - 1)).sum())

    same, all_same = pairs(place)
    near, all_near = pairs(cell)
    of_place = _variance(same, all_same, by_chance, n)
    of_cell = _variance(near - same, all_near - all_same, by_chance, n)
    # Bursts of a place come more often in a busy square, but are no larger: the two add up.
    return {"town": town, "cell": of_cell, "place": max(of_place - of_cell, 0.0)}


def _variance(together: float, ever: float, by_chance: float, periods: int) -> float:
    """Return the variance behind a share of pairs; 0 where there are too few to tell."""
    if ever <= 0 or by_chance <= 0:
        return 0.0
    ratio = together / ever / by_chance
    # Two of n periods that both vary are counted in the pairs at large as well.
    limit = min(ratio, 0.9 * periods)
    return max((limit - 1) / (1 - limit / periods), 0.0) if periods > 1 else 0.0


def wait_chances(days: pd.Series, offensive: pd.Series, *, fewest: int) -> dict[str, Numbers]:
    """Return the days from report to clearance at `CHANCES`, by kind and for all.

    A kind with fewer than `fewest` known waits takes those of all.
    """
    known = days.notna()
    every = days[known].to_numpy(float)
    found = {"all": _quantiles(every)}
    for kind, own in (("offensive", offensive), ("ordinary", ~offensive)):
        waits = days[known & own].to_numpy(float)
        found[kind] = _quantiles(waits) if len(waits) >= fewest else found["all"]
    return found


def _quantiles(days: Numbers) -> Numbers:
    return np.quantile(days, CHANCES) if len(days) else np.zeros(len(CHANCES))


def blended_share(flags: pd.Series, group: pd.Series, names: pd.Index, *, weight: float) -> Numbers:
    """Return each group's share of flags, leaning on everybody's by `weight` rows; all's last."""
    overall = float(flags.mean()) if len(flags) else 0.0
    counted = flags.groupby(group.to_numpy()).agg(["sum", "size"]).reindex(names).fillna(0)
    own = (counted["sum"] + weight * overall) / (counted["size"] + weight)
    return np.append(own.to_numpy(float), overall)


def scaled(patch: Patch, factor: float) -> Patch:
    """Return the patch with all rates of known places multiplied."""
    return replace(patch, rate_years=patch.rate_years / factor)


def working_days(first: date, *, years: int, days_per_week: float,
                 holidays: Mapping[date, str]) -> NDArray[np.bool_]:
    """Return which days are worked, from a first day on for so many years and one more."""
    days = [first + timedelta(days=each) for each in range(int((years + 1) * DAYS_PER_YEAR) + 1)]
    return np.array([day.weekday() < days_per_week and day not in holidays for day in days])


def crews_for(hours_per_week: float, *, hours_per_day: float, days_per_week: float,
              busy: float) -> float:
    """Return the crews that so many hours of jobs a week keep busy for such a share of their time.

    Examples
    --------
    >>> crews_for(60.0, hours_per_day=6.0, days_per_week=5.0, busy=0.8)
    2.5
    """
    return hours_per_week / (hours_per_day * days_per_week * busy)


