"""How many crews keep the response standards: looked for by letting the jobs come to them."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Generator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import simpy

from rehit.contract.volume import Volume
from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.workdays import public_holidays

KINDS = ("offensive", "ordinary")
MINUTES_PER_HOUR = 60
WEEKS = 52
_SMOOTH_WEEKS = 4  # each side
_SEARCH_SHARE = 0.1
_IDLE = 0.5
_NEVER = 1e-12
_DAY = np.timedelta64(1, "D")
_MINUTE = np.timedelta64(1, "m")


@dataclass(frozen=True)
class Standards:
    """What the tender asks: the response standards, and the share of jobs that must keep them."""

    offensive_hours: float
    ordinary_working_days: float
    share: float

    @classmethod
    def from_parameters(cls, parameters: Parameters) -> Standards:
        """Read them from the parameters."""
        return cls(parameters["service.offensive_hours"],
                   parameters["service.ordinary_working_days"],
                   parameters["contract.standard_share"])


@dataclass(frozen=True)
class QueueRun:
    """Outcome of the simulated years of one number of crews.

    Attributes
    ----------
    crews
        Crews provided.
    years
        One row per simulated year: ``jobs, offensive, late_offensive, late_ordinary``.
    in_time_offensive, in_time_ordinary
        Share of all jobs of the kind that kept its standard.
    utilisation
        Crew time worked over crew time there.
    callouts
        Share of jobs cleared by call-out on a day off.
    wait_hours
        Mean working hours until a crew starts.
    erlang_wait_hours, erlang_waits
        The same and the chance of a wait by Erlang C, which knows neither bursts nor priorities.
    """

    crews: float
    years: pd.DataFrame
    in_time_offensive: float
    in_time_ordinary: float
    utilisation: float
    callouts: float
    wait_hours: float
    erlang_waits: float
    erlang_wait_hours: float

    def keeps(self, kind: str, share: float) -> bool:
        """Whether that share of the jobs of the kind, offensive or ordinary, is in time."""
        return bool(getattr(self, f"in_time_{kind}") >= share)

    def meets(self, share: float) -> bool:
        """Whether both standards are kept by that share of jobs."""
        return self.keeps("offensive", share) and self.keeps("ordinary", share)


def choose_crews(jobs: pd.DataFrame, clock: np.ndarray, volume: Volume, days: np.ndarray, *,
                 standards: Standards, parameters: Parameters,
                 rng: np.random.Generator) -> tuple[QueueRun, pd.DataFrame]:
    """Find the fewest crews that keep both standards, or take the number given.

    For each standard the search starts from the number that Erlang's formula asks for, widens
    from there until one number keeps the standard and one does not, and halves what lies
    between. Every number looked at faces the same simulated jobs. The number found is confirmed
    over ``contract.queue_years``.

    Returns
    -------
    tuple
        The run of the crews chosen, and the `contract_crews` table of every number looked at.

    Raises
    ------
    SettingError
        If not even ``contract.crews_most`` keep the standards: how far they are from it.
    """
    seed = int(rng.integers(2**31))

    def run(crews: float, years: float, share: float = 1.0, draw: int = 0) -> QueueRun:
        fewer = share * parameters["contract.queue_jobs"] / max(
            1.0, float(volume.totals[:, 0].mean()))
        return simulate_queue(jobs, clock, volume, days, crews=crews, standards=standards,
                              years=int(max(2, min(years, fewer))), parameters=parameters,
                              rng=np.random.default_rng([seed, draw]))

    given, full = parameters["contract.crews"], parameters["contract.queue_years"]
    if given:
        chosen = run(given, full)
        return chosen, crews_table([chosen])
    numbers = crew_numbers(parameters)
    looked: dict[int, QueueRun] = {}

    def look(at: int) -> QueueRun:
        if at not in looked:
            looked[at] = run(numbers[at], parameters["contract.queue_search_years"],
                             _SEARCH_SHARE, 1)
        return looked[at]

    start = analytic_start(jobs, volume, days, numbers, standards=standards,
                           parameters=parameters)
    flagged = bool((jobs["priority"] == "offensive").any())
    found = [fewest(look, len(numbers), start, kind, standards.share)
             for kind in KINDS if flagged or kind == "ordinary"]
    known = [at for at in found if at is not None]
    if len(known) < len(found):
        raise _unmet(look(len(numbers) - 1), standards.share)
    for at in range(max(known), len(numbers)):
        looked[at] = run(numbers[at], full)
        if looked[at].meets(standards.share):
            return looked[at], crews_table([looked[key] for key in sorted(looked)])
    raise _unmet(looked[len(numbers) - 1], standards.share)


Look = Callable[[int], QueueRun]


def fewest(look: Look, n: int, start: int, kind: str, share: float) -> int | None:
    """Return the first of `n` places that keeps a standard; None where the last does not.

    Parameters
    ----------
    look
        Gives the run of a place; who keeps the standard at one place keeps it at later ones.
    start
        Place to look at first.
    kind, share
        Standard, and share of jobs that must keep it.
    """
    failing, keeping = _bracket(look, n, start, kind, share)
    if keeping is None:
        return None
    while keeping - failing > 1:
        middle = (failing + keeping) // 2
        if look(middle).keeps(kind, share):
            keeping = middle
        else:
            failing = middle
    return keeping


def _bracket(look: Look, n: int, start: int, kind: str, share: float) -> tuple[int, int | None]:
    """Return a place that misses the standard (-1: none does) and a later one that keeps it."""
    at, stride, failing, keeping = start, 1, -1, None
    while True:
        if look(at).keeps(kind, share):
            keeping = at
            if failing >= 0 or at == 0:
                return failing, keeping
            at = max(0, at - stride)
        else:
            failing = at
            if keeping is not None or at == n - 1:
                return failing, keeping
            at = min(n - 1, at + stride)
        stride *= 2


def _unmet(run: QueueRun, share: float) -> SettingError:
    """Say how far the most crews looked at are from the standards, and what would help."""
    kept = " and ".join(
        f"{value:.1%} of {words} in time" for words, value in (
            ("offensive markings", run.in_time_offensive), ("other markings", run.in_time_ordinary))
        if value < share)
    more = ("more crews would not help, they have time to spare: set contract.weekend_cover = 1 "
            "or relax the standards in [service]" if run.utilisation < _IDLE else
            "raise contract.crews_most or relax the standards in [service]")
    return SettingError(
        "response standards", got=f"{kept} with crews = {run.crews:g}, the most looked at "
        f"({run.utilisation:.0%} of their time is needed)", allowed=f"{share:.0%} in time",
        remedy=f"{more}; or give contract.crews to price a number that misses them")


def crew_numbers(parameters: Parameters) -> list[float]:
    """Return the numbers of crews that can be provided: parts of one, then whole ones to the cap.

    Above one there are whole crews only: part of one more crew shortens everybody's day.
    """
    step, most = parameters["contract.crew_step"], int(parameters["contract.crews_most"])
    parts = [step * number for number in range(1, math.ceil(1 / step - 1e-9))]
    return [*parts, *(float(number) for number in range(1, most + 1))]


def analytic_start(jobs: pd.DataFrame, volume: Volume, days: np.ndarray, numbers: list[float], *,
                   standards: Standards, parameters: Parameters) -> int:
    """Return the place in `numbers` of the fewest crews that suffice by Erlang's formula.

    Suffice: the work fits into their time, and the chance to wait no longer than the ordinary
    standard leaves is the share asked. The formula knows no bursts, so this is a lower bound in
    all but calm patches; the last place where no number suffices.
    """
    service = float(jobs["minutes"].mean()) + parameters["contract.travel_minutes"]
    total = float(volume.totals[:, 0].mean()) * service
    for at, crews in enumerate(numbers):
        calendar = crew_calendar(days, crews=crews, parameters=parameters)
        load, servers = total / minutes_a_year(calendar), math.ceil(crews)
        wait = standards.ordinary_working_days * calendar.length_minutes
        if load < servers and erlang_within(servers=servers, load=load, service=service,
                                            wait=max(0.0, wait - service)) >= standards.share:
            return at
    return len(numbers) - 1


def crews_table(runs: list[QueueRun]) -> pd.DataFrame:
    """Return the `contract_crews` table."""
    return pd.DataFrame([{
        "crews": run.crews, "utilisation": run.utilisation,
        "in_time_offensive": (run.in_time_offensive if run.years["offensive"].sum() else np.nan),
        "in_time_ordinary": run.in_time_ordinary,
        "callouts": run.callouts, "wait_hours": run.wait_hours,
        "erlang_waits": run.erlang_waits, "erlang_wait_hours": run.erlang_wait_hours,
        "n_years": len(run.years)} for run in runs])


# The queue: simulated years of jobs come to so many crews.

def simulate_queue(jobs: pd.DataFrame, clock: np.ndarray, volume: Volume, days: np.ndarray, *,
                   crews: float, years: int, standards: Standards, parameters: Parameters,
                   rng: np.random.Generator) -> QueueRun:
    """Let `years` simulated years of jobs come to the crews.

    A job copies the weekday, time, effort and priority of a job of the log, mostly of the same
    week of the year. The season is the log's own; the bursts of single weeks come from the weekly
    dispersion. Each year starts with no backlog.

    Parameters
    ----------
    jobs
        Jobs of the log with ``minutes`` and ``priority``.
    clock
        Local time of each job.
    volume
        Simulated volumes; the first contract year is used.
    days
        Working days, from the contract's start, with some to spare at the end.
    """
    calendar = crew_calendar(days, crews=crews, parameters=parameters)
    start = np.busday_offset(days[0], 0, "forward", weekmask="Mon").astype("datetime64[m]")
    pattern = read_pattern(clock)
    minutes = jobs["minutes"].to_numpy() + parameters["contract.travel_minutes"]
    offensive = (jobs["priority"] == "offensive").to_numpy()
    rows = []
    # Years spread evenly over the volumes foreseen: a few stand for them better than a random few.
    for total in np.quantile(volume.totals[:, 0], (np.arange(years) + 0.5) / years):
        picked, moment = draw_year(pattern, total=int(total), start=start, rng=rng,
                                   dispersion=volume.weekly_dispersion)
        rows.append(queue_year(moment, minutes[picked], offensive[picked], calendar,
                               crews=math.ceil(crews), standards=standards,
                               parameters=parameters))
    table = pd.DataFrame(rows)
    return _summed(table, crews, calendar, float(minutes.mean()))


def queue_year(moment: np.ndarray, minutes: np.ndarray, offensive: np.ndarray,
               calendar: WorkCalendar, *, crews: int, standards: Standards,
               parameters: Parameters) -> dict[str, float]:
    """Let one year's jobs come to the crews; return what came of it, as in :class:`QueueRun`.

    Parameters
    ----------
    moment
        Local clock time of each report.
    minutes
        Crew time of each job, driving included.
    offensive
        Which jobs go first and have the shorter standard.
    calendar
        From :func:`crew_calendar`, starting no later than the first report.
    crews
        Crews at work at a time.
    """
    callout = needs_callout(moment, offensive, calendar, standards=standards,
                            parameters=parameters)
    queued = ~callout
    arrived = calendar.working(moment[queued])
    order = np.argsort(arrived, kind="stable")
    done = np.empty(len(arrived))
    done[order] = serve(arrived[order], minutes[queued][order], offensive[queued][order],
                        crews=crews)
    urgent, reported = offensive[queued], moment[queued]
    end = calendar.clock(done)
    hours = (end - reported) / np.timedelta64(1, "h")
    taken = calendar.day_number(end) - calendar.day_number(reported)
    late_urgent = urgent & (hours > standards.offensive_hours)
    late_ordinary = ~urgent & (taken > standards.ordinary_working_days)
    slow_callout = parameters["contract.callout_response_hours"] > standards.offensive_hours
    return {"jobs": len(moment), "offensive": int(offensive.sum()),
            "late_offensive": int(late_urgent.sum()) + int(callout.sum()) * slow_callout,
            "late_ordinary": int(late_ordinary.sum()), "callouts": int(callout.sum()),
            "minutes": float(minutes[queued].sum()),
            "waited": float((done - arrived - minutes[queued]).sum())}


def _summed(table: pd.DataFrame, crews: float, calendar: WorkCalendar,
            service: float) -> QueueRun:
    total = table.sum()
    there = math.ceil(crews) * minutes_a_year(calendar)
    busy = float(table["minutes"].mean()) / there
    queued = max(1.0, float(total["jobs"] - total["callouts"]))
    load = busy * math.ceil(crews)
    waits = erlang_c(servers=math.ceil(crews), load=load)
    wait = waits * service / (math.ceil(crews) - load) if busy < 1 else math.inf
    ordinary = max(1.0, float(total["jobs"] - total["offensive"]))
    return QueueRun(
        crews, table, 1 - float(total["late_offensive"]) / max(1.0, float(total["offensive"])),
        1 - float(total["late_ordinary"]) / ordinary, busy,
        float(total["callouts"]) / max(1.0, float(total["jobs"])),
        float(total["waited"]) / queued / MINUTES_PER_HOUR, waits, wait / MINUTES_PER_HOUR)


def serve(arrivals: np.ndarray, minutes: np.ndarray, urgent: np.ndarray, *,
          crews: int) -> np.ndarray:
    """Return when each job is finished, urgent ones first, else in order of arrival (SimPy).

    Parameters
    ----------
    arrivals
        Working minutes, ascending.
    minutes
        Crew time of each job.
    urgent
        Whether it goes before the others that wait; nobody stops work for it.

    Notes
    -----
    What waits is kept in a heap: a backlog of many thousand jobs costs no more time than a
    short one. Jobs that arrive at the same minute, as those of a night do at opening time, are
    all there before a crew chooses.
    """
    finished = np.empty(len(arrivals))
    clock = simpy.Environment()
    rank = np.where(urgent, 0, 1).tolist()
    times, work = arrivals.tolist(), minutes.tolist()
    waiting: list[tuple[int, int]] = []
    idle = crews

    def crew() -> Generator[simpy.Event, None, None]:
        nonlocal idle
        while waiting:
            _, number = heapq.heappop(waiting)
            yield clock.timeout(work[number])
            finished[number] = clock.now
        idle += 1

    def arrive() -> Generator[simpy.Event, None, None]:
        nonlocal idle
        number = 0
        while number < len(times):
            now = times[number]
            yield clock.timeout(now - clock.now)
            while number < len(times) and times[number] == now:
                heapq.heappush(waiting, (rank[number], number))
                number += 1
            for _ in range(min(idle, len(waiting))):
                idle -= 1
                clock.process(crew())

    clock.process(arrive())
    clock.run()
    return finished


def needs_callout(clock: np.ndarray, offensive: np.ndarray, calendar: WorkCalendar, *,
                  standards: Standards, parameters: Parameters) -> np.ndarray:
    """Return which jobs cannot wait for the next working day and go to a call-out."""
    if not parameters["contract.weekend_cover"]:
        return np.zeros(len(clock), bool)
    limit = clock + np.timedelta64(round(standards.offensive_hours * MINUTES_PER_HOUR), "m")
    left = calendar.working(limit) - calendar.working(clock)
    needed = min(parameters["contract.callout_margin_minutes"], calendar.length_minutes / 2)
    return np.asarray(offensive & (left < needed))


def crew_calendar(days: np.ndarray, *, crews: float, parameters: Parameters) -> WorkCalendar:
    """Return the working time of each of the crews: a part of a crew is there part of the day."""
    whole = math.ceil(crews)
    length = (parameters["contract.hours_per_day"] * MINUTES_PER_HOUR
              * parameters["contract.productive_share"] * crews / whole)
    return WorkCalendar(days, parameters["contract.day_starts"] * MINUTES_PER_HOUR, length)


def minutes_a_year(calendar: WorkCalendar) -> float:
    """Return the working minutes of one crew in the year of whole weeks that is simulated."""
    share = len(calendar.days) / max(1, (calendar.days[-1] - calendar.days[0]).astype(int) + 1)
    return float(calendar.length_minutes * WEEKS * 7 * share)


# When the jobs of a year come: the log's season, weekdays and hours, and weeks that burst.

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


# Working days and hours of a contract: clock time to working time and back.

@dataclass(frozen=True)
class WorkCalendar:
    """Working days, each with the same opening and length.

    Attributes
    ----------
    days
        Working days in order (numpy datetime64[D], local).
    opens_minute
        Minute of the day at which work starts.
    length_minutes
        Minutes of work in a day.
    """

    days: np.ndarray
    opens_minute: float
    length_minutes: float

    def working(self, clock: np.ndarray) -> np.ndarray:
        """Return working minutes since the first opening; off hours count as the next opening."""
        day = clock.astype("datetime64[D]")
        place = np.searchsorted(self.days, day)
        open_today = self.days[np.minimum(place, len(self.days) - 1)] == day
        minute = (clock - day.astype(clock.dtype)) / _MINUTE - self.opens_minute
        inside = np.where(open_today, np.clip(minute, 0, self.length_minutes), 0.0)
        return place * self.length_minutes + inside

    def clock(self, working: np.ndarray) -> np.ndarray:
        """Return the clock time at which so many working minutes are done."""
        place = np.maximum(np.ceil(working / self.length_minutes) - 1, 0).astype(int)
        minute = working - place * self.length_minutes + self.opens_minute
        day = self.days[np.minimum(place, len(self.days) - 1)].astype("datetime64[m]")
        return np.asarray(day + np.ceil(minute).astype("timedelta64[m]"))

    def day_number(self, clock: np.ndarray) -> np.ndarray:
        """Return the number of the working day on or after each clock time."""
        return np.searchsorted(self.days, clock.astype("datetime64[D]"))


def working_days(start: pd.Timestamp, *, years: int, region: str | None) -> np.ndarray:
    """Return the working days (Monday to Friday, no public holiday) from a local date on.

    Parameters
    ----------
    start
        First day.
    years
        Whole years wanted.
    region
        ISO 3166 code such as ``PT`` or ``GB-ENG`` for the public holidays; None: none known.

    Raises
    ------
    SettingError
        If no public holidays are known for the region.
    """
    first = np.datetime64(start.date(), "D")
    last = np.datetime64((start + pd.DateOffset(years=years)).date(), "D")
    every = np.arange(first, last)
    return every[np.is_busday(every, holidays=_public_holidays(start, years, region))]


def _public_holidays(start: pd.Timestamp, years: int, region: str | None) -> list[np.datetime64]:
    known = public_holidays(region, first_year=start.year, last_year=start.year + years)
    return [np.datetime64(day, "D") for day in known]


def local_clock(times: pd.Series, *, time_zone: str) -> np.ndarray:
    """Return UTC times as local clock times without zone (datetime64[m])."""
    local = times.dt.tz_convert(time_zone).dt.tz_localize(None)
    return np.asarray(local.to_numpy().astype("datetime64[m]"))


# Erlang's formula for crews that jobs wait for: where the search starts, and a check of the queue.

def erlang_c(*, servers: int, load: float) -> float:
    """Return the chance that a job has to wait, by Erlang's second formula.

    Parameters
    ----------
    servers
        Crews.
    load
        Arrivals per unit of time times the mean time one takes (erlang).

    Returns
    -------
    float
        1 where the load is not below the number of servers.

    References
    ----------
    Erlang 1917, by way of the recursion for Erlang's first formula.

    Examples
    --------
    >>> round(erlang_c(servers=2, load=1.0), 4)
    0.3333
    """
    if load >= servers:
        return 1.0
    blocked = 1.0
    for number in range(1, servers + 1):
        blocked = load * blocked / (number + load * blocked)
    return blocked / (1 - load / servers * (1 - blocked))


def erlang_within(*, servers: int, load: float, service: float, wait: float) -> float:
    """Return the chance that a job waits no longer than `wait` (in the unit of `service`)."""
    if load >= servers:
        return 0.0
    chance = erlang_c(servers=servers, load=load)
    return 1 - chance * math.exp(-(servers - load) * wait / service)
